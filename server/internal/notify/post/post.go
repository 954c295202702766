// Package post hands a body to an HTTP receiver and says what became of it. It follows no redirect, waits for nobody longer
// than its timeout, reads only the head of an answer, and no error of it holds an address's path, a log-in or a secret.
package post

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/server/internal/notify/message"
)

// maxAnswer is how much of an answer is read, bytes: enough to say why, and to use the connection again.
const maxAnswer = 4 << 10

// A Poster sends to one address. Not safe for concurrent use.
type Poster struct {
	url     string
	ca      string
	timeout time.Duration
	client  *http.Client
	trusted *x509.CertPool // of client; nil: the system's
	date    time.Time
}

// New is one for an address. The authorities' file is read anew for each attempt.
func New(s Settings) *Poster {
	p := &Poster{url: s.URL, ca: s.CA, timeout: s.Timeout}
	p.trust(nil)
	return p
}

// trust makes connections that trust the authorities given.
func (p *Poster) trust(pool *x509.CertPool) {
	if p.client != nil {
		p.client.CloseIdleConnections()
	}
	p.trusted = pool
	p.client = &http.Client{Timeout: p.timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{Proxy: http.ProxyFromEnvironment, ForceAttemptHTTP2: true, MaxIdleConns: 1, IdleConnTimeout: time.Minute,
			TLSHandshakeTimeout: p.timeout, ResponseHeaderTimeout: p.timeout, MaxResponseHeaderBytes: 16 << 10,
			DialContext: (&net.Dialer{Timeout: p.timeout}).DialContext, TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}}}
}

// Date is the clock of who answered the last Post, to the second (RFC 9110, section 6.6.1); zero: nobody answered, or did not tell it.
func (p *Poster) Date() time.Time { return p.date }

// Close ends what is open.
func (p *Poster) Close() { p.client.CloseIdleConnections() }

// Post sends a body of JSON; sign may add headers. An error is a *message.Failure.
func (p *Poster) Post(ctx context.Context, body []byte, sign func(http.Header)) error {
	p.date = time.Time{}
	if p.ca != "" {
		pool, err := brokerlink.Pool(p.ca)
		if err != nil {
			return &message.Failure{Why: fmt.Errorf("ca: %w", err)}
		}
		if p.trusted == nil || !pool.Equal(p.trusted) {
			p.trust(pool)
		}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url, bytes.NewReader(body))
	if err != nil {
		return &message.Failure{Why: errors.New("the address cannot be used")}
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "gritwatch-server")
	sign(r.Header)
	answer, err := p.client.Do(r)
	if err != nil {
		return &message.Failure{Why: bare(err)}
	}
	defer answer.Body.Close()
	p.date, _ = http.ParseTime(answer.Header.Get("Date"))         // zero where it is none
	head, _ := io.ReadAll(io.LimitReader(answer.Body, maxAnswer)) // the status says enough without
	return judge(answer, head, time.Now())
}

// bare is an error without the address that http puts in front of it.
func bare(err error) error {
	if u := (*url.Error)(nil); errors.As(err, &u) {
		if u.Timeout() {
			return errors.New("no answer in time")
		}
		err = u.Err
	}
	if t := (*tls.CertificateVerificationError)(nil); errors.As(err, &t) {
		return fmt.Errorf("its certificate is not trusted (%w): name its authority in ca", t.Err)
	}
	// The last is of a server that speaks before it is asked, as one of mail does; net/http has no error of its own for it.
	if said := err.Error(); strings.Contains(said, "malformed HTTP") || strings.Contains(said, "readLoopPeekFail") {
		return errors.New("what answers there does not speak HTTP: look at the address and its port")
	}
	return err
}

// judge says what an answer means.
func judge(a *http.Response, head []byte, now time.Time) error {
	switch c := a.StatusCode; {
	case c >= 200 && c < 300:
		return nil
	case c >= 300 && c < 400:
		return &message.Failure{Refused: true, Why: fmt.Errorf("it answers %s and points elsewhere, which is not followed: write the final address", a.Status)}
	case c == http.StatusRequestTimeout, c == http.StatusTooEarly, c == http.StatusTooManyRequests, c >= 500:
		return &message.Failure{After: after(a.Header.Get("Retry-After"), now), Why: fmt.Errorf("it answers %s%s", a.Status, said(head))}
	default:
		return &message.Failure{Refused: true, After: after(a.Header.Get("Retry-After"), now), Why: fmt.Errorf("it refuses: %s%s", a.Status, said(head))}
	}
}

// after is Retry-After, RFC 9110 section 10.2.3: seconds or a date; 0 where absent or neither.
func after(text string, now time.Time) time.Duration {
	const most = 10 * time.Minute
	if n, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(n)*time.Second, most)
	}
	if t, err := http.ParseTime(text); err == nil {
		return min(max(t.Sub(now), 0), most)
	}
	return 0
}

// said is the beginning of an answer on one line.
func said(head []byte) string {
	const most = 200
	s := strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0xfffd {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(string(head), " "))), " ")
	if s == "" {
		return ""
	}
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "..."
	}
	return ": " + s
}
