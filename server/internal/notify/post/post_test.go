package post_test

import (
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/brokerlink/brokerlinktest"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

func to(url string) post.Settings { return post.Settings{URL: url, Timeout: time.Minute} }

// send posts once and returns what became of it.
func send(t *testing.T, s post.Settings) message.Failure {
	t.Helper()
	p := post.New(s)
	defer p.Close()
	err := p.Post(t.Context(), []byte(`{"a":1}`), func(h http.Header) { h.Set("X-Signed", "yes") })
	if err == nil {
		return message.Failure{}
	}
	return message.FailureOf(err)
}

// TestAnswers: what a status means, and how long to wait.
func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		status  int
		head    http.Header
		body    string
		refused bool
		after   time.Duration
		why     string // empty: taken
	}{
		{status: 200, body: strings.Repeat("x", 100_000)},
		{status: 204},
		{status: 301, head: http.Header{"Location": {"http://127.0.0.1:1/elsewhere"}}, refused: true, why: "it answers 301 Moved Permanently and points elsewhere, which is not followed: write the final address"},
		{status: 400, body: "bad\n\"label\"\x00\xff", refused: true, why: `it refuses: 400 Bad Request: bad "label"`},
		{status: 401, refused: true, why: "it refuses: 401 Unauthorized"},
		{status: 404, body: strings.Repeat("long ", 100), refused: true, why: "it refuses: 404 Not Found: " + strings.Repeat("long ", 40) + "..."},
		{status: 408, why: "it answers 408 Request Timeout"},
		{status: 429, head: http.Header{"Retry-After": {"90"}}, after: 90 * time.Second, why: "it answers 429 Too Many Requests"},
		{status: 500, why: "it answers 500 Internal Server Error"},
		{status: 503, head: http.Header{"Retry-After": {"999999"}}, after: 10 * time.Minute, why: "it answers 503 Service Unavailable"},
		{status: 503, head: http.Header{"Retry-After": {"Fri, 31 Dec 1999 23:59:59 GMT"}}, why: "it answers 503 Service Unavailable"},
		{status: 503, head: http.Header{"Retry-After": {"soon"}}, why: "it answers 503 Service Unavailable"},
	} {
		got := 0
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			got++
			if r.Method != http.MethodPost || r.Header.Get("Content-Type") != "application/json" || r.Header.Get("X-Signed") != "yes" {
				t.Errorf("%s %v", r.Method, r.Header)
			}
			for k, v := range c.head {
				w.Header()[k] = v
			}
			w.WriteHeader(c.status)
			fmt.Fprint(w, c.body)
		}))
		f := send(t, to(s.URL))
		s.Close()
		why := ""
		if f.Why != nil {
			why = f.Error()
		}
		if why != c.why || f.Refused != c.refused || f.After != c.after || got != 1 {
			t.Errorf("%d: %q refused %v after %v in %d requests, want %q %v %v", c.status, why, f.Refused, f.After, got, c.why, c.refused, c.after)
		}
	}
}

// TestNotReached: whoever is absent, silent, endless, talks something else or is not trusted has not refused, and no error shows
// the address's path.
func TestNotReached(t *testing.T) {
	const hush = "/hidden-token"
	talk := func(do func(net.Conn)) string {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				go func() { defer c.Close(); do(c) }()
			}
		}()
		return "http://" + l.Addr().String()
	}
	drain := func(c net.Conn) {
		b := make([]byte, 1<<16)
		for {
			if _, err := c.Read(b); err != nil {
				return
			}
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	absent := "http://" + l.Addr().String()
	l.Close()
	secure := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	secure.Config.ErrorLog = log.New(io.Discard, "", 0)
	t.Cleanup(secure.Close)
	secure.Config.ErrorLog = nil
	for what, c := range map[string]struct{ url, why string }{
		"absent":        {absent, "connection refused"},
		"silent":        {talk(drain), "no answer in time"},
		"hangs up":      {talk(func(net.Conn) {}), ""},
		"something":     {talk(func(c net.Conn) { fmt.Fprint(c, "220 mail.example ESMTP\r\n"); drain(c) }), "does not speak HTTP"},
		"endless head":  {talk(func(c net.Conn) { go drain(c); fmt.Fprint(c, "HTTP/1.1 200 OK\r\nA: "); endless(c) }), ""},
		"not TLS":       {strings.Replace(talk(func(c net.Conn) { fmt.Fprint(c, "hello\r\n"); drain(c) }), "http:", "https:", 1), ""},
		"not trusted":   {secure.URL, "its certificate is not trusted (x509: certificate signed by unknown authority): name its authority in ca"},
		"no such host":  {"http://nowhere.invalid", ""},
		"broken number": {talk(func(c net.Conn) { fmt.Fprint(c, "HTTP/1.1 20x OK\r\n\r\n"); drain(c) }), "does not speak HTTP"},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			s := to(c.url + hush)
			if what == "silent" || what == "endless head" {
				s.Timeout = time.Second
			}
			f := send(t, s)
			if f.Why == nil || f.Refused || !strings.Contains(f.Error(), c.why) || strings.Contains(f.Error(), hush) {
				t.Errorf("%+v", f)
			}
		})
	}
}

func endless(c net.Conn) {
	for {
		if _, err := c.Write([]byte(strings.Repeat("x", 1000))); err != nil {
			return
		}
	}
}

// TestEndlessBody: a body that does not end is not waited for.
func TestEndlessBody(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for {
			if _, err := w.Write([]byte(strings.Repeat("x", 1000))); err != nil {
				return
			}
		}
	}))
	defer s.Close()
	if f := send(t, to(s.URL)); f.Why != nil {
		t.Errorf("%+v", f)
	}
}

// TestRenewedAuthority: an authority that was exchanged counts at the next attempt, and old ones no longer.
func TestRenewedAuthority(t *testing.T) {
	s := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	defer s.Close()
	ca := filepath.Join(t.TempDir(), "ca.pem")
	o := to(s.URL)
	o.CA = ca
	p := post.New(o)
	defer p.Close()
	try := func() error { return p.Post(t.Context(), nil, func(http.Header) {}) }
	if err := try(); err == nil || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without the file: %v", err)
	}
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := try(); err != nil {
		t.Error(err)
	}
	other, err := os.ReadFile(brokerlinktest.NewAuthority(t, t.TempDir(), "other").File)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(ca, other, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := try(); err == nil || !strings.Contains(err.Error(), "not trusted") {
		t.Errorf("with another authority: %v", err)
	}
}
