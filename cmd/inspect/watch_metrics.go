package main

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"plumbsquare/internal/watch"
)

// serveMetrics serves the newest status in Prometheus' text format until stop is called.
func serveMetrics(address string, newest func() *watch.Status, stderr io.Writer) (stop func(), err error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("--metrics: %w", err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, _ *http.Request) {
		s := newest()
		if s == nil {
			http.Error(w, "not watching yet", http.StatusServiceUnavailable)
			return
		}
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		_ = s.WriteMetrics(w) // whoever asked has gone
	})
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			fmt.Fprintf(stderr, "inspect: --metrics: %v\n", err)
		}
	}()
	return func() {
		server.Close()
		<-ended
	}, nil
}
