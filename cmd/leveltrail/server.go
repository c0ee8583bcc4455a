package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

const (
	headerPatience = 10 * time.Second
	idlePatience   = 2 * time.Minute

	// bodyPatience bounds a request and its answer as a whole. A day's file comes over a phone's line from a site.
	bodyPatience = 15 * time.Minute

	// stopPatience bounds how long requests under way may take when the service is asked to stop.
	stopPatience = 20 * time.Second
)

// closeAfterChunks ends the connection after a request whose body came in chunks. One that also
// told a length may have another end for a proxy than here (RFC 9112, 6.3), and net/http does not say whether it did.
func closeAfterChunks(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ProtoMajor == 1 && len(r.TransferEncoding) > 0 {
			w.Header().Set("Connection", "close")
		}
		next.ServeHTTP(w, r)
	})
}

// newHTTPServer bounds how long and how large the heads of requests are, and how long requests take.
func newHTTPServer(handler http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           closeAfterChunks(handler),
		ReadHeaderTimeout: headerPatience,
		ReadTimeout:       bodyPatience,
		WriteTimeout:      bodyPatience,
		IdleTimeout:       idlePatience,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// serveHTTP answers on listener with handler until ctx ends, and then finishes the requests under way.
func serveHTTP(ctx context.Context, listener net.Listener, handler http.Handler, log *slog.Logger) error {
	server := newHTTPServer(handler, log)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	select {
	case err := <-served:
		return fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	log.Info("stopping")
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopPatience)
	defer cancel()
	if err := server.Shutdown(ctx); err != nil {
		return errors.Join(fmt.Errorf("stopping: %w", err), server.Close())
	}
	return nil
}
