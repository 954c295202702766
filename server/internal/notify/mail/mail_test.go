package mail_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/internal/brokerlink/brokerlinktest"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/mail"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

// A taken mail is one as the server tells of it.
type taken struct {
	From string
	To   []string
	TLS  bool
	User string
	Text string
}

// A server is the independent SMTP server of testdata.
type server struct {
	port  int
	mails chan taken
}

func start(t *testing.T, args ...string) *server {
	t.Helper()
	// Debian's own Python has its packages, whichever else comes first in the path.
	c := exec.CommandContext(t.Context(), "/usr/bin/python3", append([]string{"testdata/smtpd.py"}, args...)...)
	var said bytes.Buffer
	c.Stderr = &said
	c.Cancel = func() error { return c.Process.Signal(syscall.SIGKILL) }
	c.WaitDelay = 5 * time.Second
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatalf("%v: python3 and python3-aiosmtpd are packages of Debian (make test installs them)", err)
	}
	s := &server{mails: make(chan taken, 100)}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	if !lines.Scan() {
		_ = c.Wait() // what it said tells more
		t.Fatalf("the SMTP server did not start: python3-aiosmtpd is a package of Debian (make test installs it)\n%s", said.String())
	}
	if s.port, err = strconv.Atoi(lines.Text()); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for lines.Scan() {
			var m taken
			if err := json.Unmarshal(lines.Bytes(), &m); err != nil {
				t.Errorf("%s: %v", lines.Text(), err)
			}
			s.mails <- m
		}
	}()
	t.Cleanup(func() {
		_ = c.Cancel()
		<-done
		_ = c.Wait() // that it was stopped
		if t.Failed() {
			t.Log(said.String())
		}
	})
	return s
}

func (s *server) next(t *testing.T) taken {
	t.Helper()
	select {
	case m := <-s.mails:
		return m
	case <-time.After(time.Minute):
		t.Fatal("no mail came")
	}
	return taken{}
}

func (s *server) none(t *testing.T) {
	t.Helper()
	select {
	case m := <-s.mails:
		t.Errorf("a mail too many: %+v", m)
	default:
	}
}

// keys are a server's certificate and its authority.
func keys(t *testing.T) (ca, cert, key string) {
	a := brokerlinktest.NewAuthority(t, t.TempDir(), "mail authority")
	cert, key = a.Issue("mail", brokerlinktest.Leaf{})
	return a.File, cert, key
}

func secret(t *testing.T, text string) post.Secret {
	path := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return post.Secret{File: path}
}

func settings(port int, tls, ca string) *mail.Settings {
	return &mail.Settings{Host: "127.0.0.1", Port: port, TLS: tls, CA: ca, From: "Blast pots <gritwatch@mail.example>", To: []string{"foreman@mail.example"}, Timeout: time.Minute}
}

func slow(at si.Instant) message.Message {
	return message.Message{Site: "harrow-quay", At: at, Entries: []message.Entry{{Alarm: "01KJX0000000000000000000AB", Key: alarm.Key{Pot: "alder", Kind: alarm.VentSlow},
		Agent: "quay-1", Priority: alarm.Critical, Raised: at, At: at, Event: alarm.EventRaised, State: alarm.Unacknowledged, By: "Zoë"}}}
}

var at = si.InstantOf(time.Date(2026, 3, 4, 22, 30, 0, 0, time.UTC))

// TestStartTLS: over STARTTLS, with a log-in, to two people, each alone; head and text arrive as they were meant.
func TestStartTLS(t *testing.T) {
	t.Parallel()
	ca, cert, key := keys(t)
	srv := start(t, "--cert", cert, "--key", key, "--login")
	o := settings(srv.port, mail.StartTLS, ca)
	o.User, o.Password, o.To = "gritwatch", secret(t, "hush"), append(o.To, "Office <office@mail.example>")
	s := mail.New(o, time.UTC)
	m := slow(at)
	if err := s.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	for _, to := range []string{"foreman@mail.example", "office@mail.example"} {
		got := srv.next(t)
		if !got.TLS || got.User != "gritwatch" || got.From != "gritwatch@mail.example" || !slices.Equal(got.To, []string{to}) {
			t.Errorf("%+v", got)
		}
		x, err := netmail.ReadMessage(strings.NewReader(got.Text))
		if err != nil {
			t.Fatal(err)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(x.Header.Get("Subject"))
		if err != nil || subject != m.Subject() {
			t.Errorf("subject %q, %v", subject, err)
		}
		for k, want := range map[string]string{"Message-Id": "<" + m.ID() + "@mail.example>", "Auto-Submitted": "auto-generated", "Date": "Wed, 04 Mar 2026 22:30:00 +0000", "X-Priority": "1"} {
			if v := x.Header.Get(k); v != want {
				t.Errorf("%s is %q, want %q", k, v, want)
			}
		}
		body, err := io.ReadAll(quotedprintable.NewReader(x.Body))
		if err != nil || strings.TrimSpace(strings.ReplaceAll(string(body), "\r\n", "\n")) != strings.TrimSpace(m.Text(time.UTC)) {
			t.Errorf("body %v\n%s", err, body)
		}
	}
	srv.none(t)
}

func TestImplicit(t *testing.T) {
	t.Parallel()
	ca, cert, key := keys(t)
	srv := start(t, "--cert", cert, "--key", key, "--implicit", "--login")
	o := settings(srv.port, mail.Implicit, ca)
	o.User, o.Password = "gritwatch", secret(t, "hush")
	if err := mail.New(o, time.UTC).Send(t.Context(), slow(at)); err != nil {
		t.Fatal(err)
	}
	if got := srv.next(t); !got.TLS || got.User != "gritwatch" {
		t.Errorf("%+v", got)
	}
}

// TestInClear: only where the settings say so; a server that offers no TLS gets nothing else.
func TestInClear(t *testing.T) {
	t.Parallel()
	srv := start(t)
	if err := mail.New(settings(srv.port, mail.None, ""), time.UTC).Send(t.Context(), message.Message{Site: "harrow-quay", At: at}); err != nil {
		t.Fatal(err)
	}
	if got := srv.next(t); got.TLS || !strings.Contains(got.Text, "Test from site harrow-quay") || strings.Contains(got.Text, "X-Priority") {
		t.Errorf("%+v", got)
	}
	err := mail.New(settings(srv.port, mail.StartTLS, ""), time.UTC).Send(t.Context(), slow(at))
	if err == nil || message.FailureOf(err).Refused || !strings.Contains(err.Error(), "STARTTLS") {
		t.Errorf("without TLS: %v", err)
	}
	srv.none(t)
}

// TestRecipients: who is refused keeps nobody else from his mail, and who has got it does not get it again.
func TestRecipients(t *testing.T) {
	t.Parallel()
	srv := start(t)
	o := settings(srv.port, mail.None, "")
	o.To = []string{"later-a@mail.example", "b@mail.example"}
	s := mail.New(o, time.UTC)
	m := slow(at)
	err := s.Send(t.Context(), m)
	if f := message.FailureOf(err); err == nil || f.Refused || !strings.Contains(f.Error(), "1 of 2 have not got it (later-a@mail.example): it answers 451") {
		t.Errorf("put off: %+v", f)
	}
	if got := srv.next(t); !slices.Equal(got.To, []string{"b@mail.example"}) {
		t.Errorf("%+v", got)
	}
	if err := s.Send(t.Context(), m); err == nil {
		t.Error("the same again was taken")
	}
	srv.none(t)
	m.Entries[0].State = alarm.Acknowledged
	if err := s.Send(t.Context(), m); err == nil {
		t.Error("the next was taken")
	}
	if got := srv.next(t); !slices.Equal(got.To, []string{"b@mail.example"}) {
		t.Errorf("%+v", got)
	}
	o.To = []string{"no-a@mail.example", "b@mail.example"}
	err = mail.New(o, time.UTC).Send(t.Context(), m)
	if f := message.FailureOf(err); err == nil || !f.Refused || !strings.Contains(f.Error(), "1 of 2 have not got it (no-a@mail.example): it answers 550") {
		t.Errorf("refused: %+v", f)
	}
	srv.next(t)
}

// TestNotReached: who is absent, silent, slow, not trusted, talks something else or does not take the log-in has not refused the
// message; nothing waits longer than twice the timeout, and no error holds the password.
func TestNotReached(t *testing.T) {
	t.Parallel()
	ca, cert, key := keys(t)
	login := start(t, "--cert", cert, "--key", key, "--login")
	clear := start(t)
	talk := func(first string) int {
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
				go func() {
					defer c.Close()
					_, _ = io.WriteString(c, first) // who has gone needs no greeting
					_, _ = io.Copy(io.Discard, c)
				}()
			}
		}()
		return l.Addr().(*net.TCPAddr).Port
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	absent := l.Addr().(*net.TCPAddr).Port
	l.Close()
	wrong := settings(login.port, mail.StartTLS, ca)
	wrong.User, wrong.Password = "gritwatch", secret(t, "hush-hush")
	gone := settings(login.port, mail.StartTLS, ca)
	gone.User, gone.Password = "gritwatch", post.Secret{File: filepath.Join(t.TempDir(), "absent")}
	late := settings(clear.port, mail.None, "")
	late.To = []string{"slow-a@mail.example"}
	for what, c := range map[string]struct {
		o   *mail.Settings
		why string
	}{
		"absent":         {settings(absent, mail.StartTLS, ca), "connection refused"},
		"silent":         {settings(talk(""), mail.StartTLS, ca), ""},
		"something":      {settings(talk("HTTP/1.1 400 Bad Request\r\n\r\n"), mail.StartTLS, ca), ""},
		"half a line":    {settings(talk("220 mail.example"), mail.StartTLS, ca), ""},
		"busy":           {settings(talk("421 too busy\r\n"), mail.StartTLS, ca), "421"},
		"not trusted":    {settings(login.port, mail.StartTLS, ""), "its certificate is not trusted"},
		"TLS too early":  {settings(login.port, mail.Implicit, ca), ""},
		"wrong password": {wrong, "535"},
		"no password":    {gone, "no such file"},
		"slow":           {late, ""},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			switch what {
			case "silent", "something", "half a line", "TLS too early", "slow":
				c.o.Timeout = time.Second
			}
			begin := time.Now()
			err := mail.New(c.o, time.UTC).Send(t.Context(), slow(at))
			if f := message.FailureOf(err); err == nil || f.Refused || !strings.Contains(f.Error(), c.why) || strings.Contains(f.Error(), "hush") {
				t.Errorf("%v", err)
			}
			if d := time.Since(begin); d > 30*time.Second {
				t.Errorf("it took %v", d)
			}
		})
	}
}
