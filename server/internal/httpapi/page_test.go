package httpapi_test

import (
	"compress/gzip"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"

	"gritwatch/dashboard"
	"gritwatch/server/internal/httpapi"
)

func pageOf(files fstest.MapFS) http.Handler {
	return httpapi.New(httpapi.Options{Pots: pots{}, Live: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Page: files,
		Ready: func() []string { return nil }, Listen: "127.0.0.1:8080", Log: slog.New(slog.DiscardHandler)})
}

func askPage(h http.Handler, target string, header http.Header) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", "http://127.0.0.1:8080"+target, nil)
	for k, v := range header {
		r.Header[k] = v
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestPageIsCompressedForWhoTakesIt(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("let pots = [];\n", 1000)
	h := pageOf(fstest.MapFS{"index.html": {Data: []byte("<p>page")}, "assets/index.js": {Data: []byte(long)}})
	for _, c := range []struct {
		accept string
		gzip   bool
	}{{"gzip, deflate, br", true}, {"br;q=1.0, GZIP;q=0.5", true}, {"gzip;q=0", false}, {"gzip;q=0.000", false}, {"gzip; q=0.001", true}, {"identity", false}, {"", false}} {
		w := askPage(h, "/assets/index.js", http.Header{"Accept-Encoding": {c.accept}})
		got := w.Body.String()
		if zipped := w.Header().Get("Content-Encoding") == "gzip"; zipped != c.gzip {
			t.Errorf("Accept-Encoding %q: compressed %v, want %v", c.accept, zipped, c.gzip)
		} else if zipped {
			if len(got) > len(long)/20 {
				t.Errorf("compressed to %d of %d bytes", len(got), len(long))
			}
			r, err := gzip.NewReader(strings.NewReader(got))
			if err != nil {
				t.Fatal(err)
			}
			plain, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			got = string(plain)
		}
		if w.Code != 200 || got != long || w.Header().Get("Vary") != "Accept-Encoding" || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/javascript") {
			t.Errorf("Accept-Encoding %q: %d %v, %d bytes of script", c.accept, w.Code, w.Header(), len(got))
		}
	}
}

// TestNothingOfThePageIsKept: R10 has no-store, and nothing that a browser keeps after all is told to be good still.
func TestNothingOfThePageIsKept(t *testing.T) {
	t.Parallel()
	h := pageOf(fstest.MapFS{"index.html": {Data: []byte("<p>page")}, "assets/index.js": {Data: []byte("1")}, "assets/index.css": {Data: []byte("p{}")}})
	for _, target := range []string{"/", "/index.html", "/assets/index.js", "/assets/index.css"} {
		held := http.Header{"If-None-Match": {`"0123456789abcdef"`}, "If-Modified-Since": {"Mon, 04 May 2099 06:07:08 GMT"}}
		w := askPage(h, target, held)
		if got := w.Header(); w.Code != 200 || w.Body.Len() == 0 || got.Get("Cache-Control") != "no-store" || got.Get("ETag") != "" || got.Get("Last-Modified") != "" {
			t.Errorf("%s: %d %v", target, w.Code, got)
		}
	}
}

// The page must come quickly over a poor radio: all that it loads before it is of use, compressed as it is sent.
func TestFirstLoadIsSmall(t *testing.T) {
	t.Parallel()
	const most = 150_000 // bytes
	h := httpapi.New(httpapi.Options{Pots: pots{}, Live: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Page: dashboard.Dist(),
		Ready: func() []string { return nil }, Listen: "127.0.0.1:8080", Log: slog.New(slog.DiscardHandler)})
	sum := 0
	for _, target := range []string{"/", "/assets/index.js", "/assets/index.css", "/icon.svg"} {
		w := askPage(h, target, http.Header{"Accept-Encoding": {"gzip"}})
		if w.Code != 200 {
			t.Fatalf("%s: %d; is the page built? make page", target, w.Code)
		}
		sum += w.Body.Len()
	}
	t.Logf("%d bytes", sum)
	if sum > most {
		t.Errorf("the first load takes %d bytes; at most %d", sum, most)
	}
}
