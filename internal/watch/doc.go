// Package watch measures the pictures that land in an inbox folder, for years and with nobody
// there. It watches the folder, takes each picture as a job into the store's queue once it is
// complete and its particulars are known, has worker processes measure it, and lays the verdict
// into results/ where a technician reads it.
//
// Pictures are never moved or changed: the inbox is the truth about what is to be measured, the
// store about what was. Whatever happens in between, both are there to go on from.
// docs/watch.md says what appears where.
package watch
