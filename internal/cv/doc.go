// Package cv is the only door to OpenCV. Its functions take pictures and give Go values; no
// Mat crosses the border, so nothing outside can leak one or read one after its end.
//
// At the version in use a C++ exception would end the process. Sizes and types are checked in
// Go, because those messages can say what to do; every call that can still throw goes through
// guard.cpp, which turns an exception into an error.
package cv
