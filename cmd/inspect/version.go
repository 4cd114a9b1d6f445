package main

import "runtime/debug"

// version returns the version that the Go toolchain stamped into the program.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(unknown version)"
	}
	return info.Main.Version
}
