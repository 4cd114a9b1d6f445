// Package signal holds the charts of a line against the limits in force and keeps what it finds as
// signals in the store: rules that fired, each with a life of its own until an engineer has found
// and removed the cause. docs/decisions.md tells that life.
package signal
