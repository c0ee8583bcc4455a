package openapi

import (
	"embed"
	"io/fs"
	"net/http"
)

//go:embed docs
var docsFS embed.FS

// docsPolicy lets the page run its own scripts and ask this service only.
// Inline styles are allowed because the page's script puts its style sheet into the document.
const docsPolicy = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; " +
	"img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Docs serves the page that shows the description at /docs, with its files below /docs/.
// It works without a network: the page loads nothing from another host, and may not.
func Docs() http.Handler {
	files, err := fs.Sub(docsFS, "docs")
	if err != nil {
		panic(err) // the directory is part of the program
	}
	serve := http.StripPrefix("/docs/", http.FileServerFS(files))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", docsPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "max-age=3600")
		if r.URL.Path == "/docs" || r.URL.Path == "/docs/" {
			http.ServeFileFS(w, r, files, "index.html")
			return
		}
		serve.ServeHTTP(w, r)
	})
}
