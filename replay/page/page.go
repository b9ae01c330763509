package page

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net"
	"net/http"
	"path"
	"strings"
)

//go:embed files
var files embed.FS

// policy lets a page load its own style, script and icon, and talk to its own server. No script or
// style may stand in a page.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; " +
	"form-action 'none'; base-uri 'none'; frame-ancestors 'none'"

// Protect sets the headers that keep a page to itself.
func Protect(h http.Header) {
	for _, header := range [...][2]string{
		{"Content-Security-Policy", policy}, {"X-Content-Type-Options", "nosniff"}, {"X-Frame-Options", "DENY"},
		{"Referrer-Policy", "same-origin"}, {"Cross-Origin-Opener-Policy", "same-origin"}, {"Cross-Origin-Resource-Policy", "same-origin"},
		{"Permissions-Policy", "camera=(), microphone=(), geolocation=()"}, {"Cache-Control", "no-store"},
	} {
		h.Set(header[0], header[1])
	}
}

// Refuse answers with one sentence.
func Refuse(w http.ResponseWriter, status int, sentence string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, sentence)
}

// FromHere reports whether a request comes from this machine.
func FromHere(q *http.Request) bool {
	ip := Address(q.RemoteAddr)
	return ip != nil && ip.IsLoopback()
}

// Address returns the address in a host and port such as 192.0.2.1:80, nil where there is none.
func Address(remote string) net.IP {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return nil
	}
	host, _, _ = strings.Cut(host, "%") // zone of a link-local address
	return net.ParseIP(host)
}

// kinds are the media types of the files that pages are made of.
var kinds = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// File serves one embedded file. It panics where that is not there: no request can cause it.
func File(from fs.FS, name string) http.HandlerFunc {
	text, err := fs.ReadFile(from, name)
	if err != nil {
		panic("page: " + name + " is not embedded")
	}
	kind := kinds[path.Ext(name)]
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Write(text)
	}
}

// Route serves what all pages share: /page.css, /page.js and /icon.svg.
func Route(mux *http.ServeMux) {
	for _, name := range [...]string{"page.css", "page.js", "icon.svg"} {
		mux.HandleFunc("GET /"+name, File(files, "files/"+name))
	}
}

// Templates reads templates of pages, which may use the template "bellows" for the drawing of a
// spring, given the name that its parts are known by.
func Templates(from fs.FS, patterns ...string) (*template.Template, error) {
	all, err := template.ParseFS(files, "files/*.html")
	if err != nil {
		return nil, err
	}
	return all.ParseFS(from, patterns...)
}

// Show answers with a page.
func Show(w http.ResponseWriter, all *template.Template, name string, facts any) {
	var text bytes.Buffer
	if err := all.ExecuteTemplate(&text, name, facts); err != nil {
		Refuse(w, http.StatusInternalServerError, "the page could not be made")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(text.Bytes())
}
