package store

import "time"

// An Act says who did something, when and why.
type Act struct {
	By  string    `json:"by"`
	At  time.Time `json:"at"`
	Why string    `json:"why"`
}
