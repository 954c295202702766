package httpapi

import (
	"bytes"
	"compress/gzip"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"
)

// A file of the page.
type file struct {
	kind    string // media type; empty: the client is to guess
	plain   []byte
	gzipped []byte // nil: not shorter
}

// readFiles are the files of the page by their names, compressed once: a tablet at the edge of the radio's reach loads the
// page in a third of the time.
func readFiles(page fs.FS) (map[string]file, error) {
	out := map[string]file{}
	err := fs.WalkDir(page, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(path.Base(name), ".") {
			return err
		}
		text, err := fs.ReadFile(page, name)
		if err != nil {
			return err
		}
		f := file{kind: mime.TypeByExtension(path.Ext(name)), plain: text}
		if short := compress(text); len(short) < len(text) {
			f.gzipped = short
		}
		out[name] = f
		return nil
	})
	return out, err
}

func compress(text []byte) []byte {
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		panic("httpapi: " + err.Error()) // the level is one of the package's
	}
	_, _ = w.Write(text) // memory takes everything
	_ = w.Close()
	return b.Bytes()
}

// page serves the files of the page, by their exact names alone.
func (a *api) page(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/")
	if name == "" {
		name = "index.html"
	}
	f, ok := a.files[name]
	if !ok {
		Problem(w, r, http.StatusNotFound, "nothing is here; the page is at /, the pots at /api/v1/pots")
		return
	}
	h := w.Header()
	h.Set("Vary", "Accept-Encoding")
	if f.kind != "" {
		h.Set("Content-Type", f.kind)
	}
	text := f.plain
	if f.gzipped != nil && takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		text = f.gzipped
	}
	// Like every answer these are no-store: a tablet that wakes, or finds no server, may bring nothing back that it kept, neither an old
	// page nor the script of an older build under a new one. So there is nothing to compare with, and no validator.
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(text))
}

// takesGzip tells whether a client names gzip among the encodings it takes, and does not refuse it (RFC 9110, 12.5.3).
func takesGzip(r *http.Request) bool {
	for _, line := range r.Header.Values("Accept-Encoding") {
		for _, one := range strings.Split(line, ",") {
			coding, weight, _ := strings.Cut(one, ";")
			if strings.EqualFold(strings.TrimSpace(coding), "gzip") {
				return strings.Trim(strings.TrimSpace(weight), "q=0. ") != "" || weight == ""
			}
		}
	}
	return false
}
