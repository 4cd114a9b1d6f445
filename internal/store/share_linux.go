package store

import (
	"fmt"
	"syscall"
)

// File systems that a network carries, by statfs(2): their locks and shared memory don't keep two
// machines' SQLite apart.
var shares = map[uint32]string{0x6969: "NFS", 0xff534d42: "CIFS", 0xfe534d42: "SMB", 0x517b: "SMB"}

// checkShare refuses a network share as the place of an SQLite store: writers on two machines
// would damage it.
func checkShare(at, dir string) error {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return nil // opening it will tell
	}
	if name := shares[uint32(st.Type)]; name != "" {
		return fmt.Errorf("store %s: %s is a network share (%s), on which an SQLite file comes to harm; put the store on a disk of this machine, or use PostgreSQL (postgres://…) where several machines share it", at, dir, name)
	}
	return nil
}
