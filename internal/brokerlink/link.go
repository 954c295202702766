package brokerlink

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"
)

// sayDaily is how often a certificate that ends soon is warned of.
const sayDaily = 24 * time.Hour

// A Link opens connections to one broker. Safe for concurrent use.
type Link struct {
	s   Settings
	log *slog.Logger

	mu   sync.Mutex
	said Repeat
}

// New is a link that has not been used. Warnings of certificates go to log.
func New(s Settings, log *slog.Logger) *Link {
	return &Link{s: s, log: log, said: Repeat{Every: sayDaily}}
}

// Settings are those it was made with.
func (l *Link) Settings() Settings { return l.s }

// Login is the user and the password, read anew.
func (l *Link) Login() (user, password string, err error) { return l.s.Login() }

// Dial connects, over TLS once the broker's certificate is proven.
func (l *Link) Dial(ctx context.Context) (net.Conn, error) {
	if !l.s.TLS() {
		return (&net.Dialer{}).DialContext(ctx, "tcp", l.s.Address())
	}
	config, err := l.config()
	if err != nil {
		return nil, err
	}
	plain, err := (&net.Dialer{}).DialContext(ctx, "tcp", l.s.Address())
	if err != nil {
		return nil, err
	}
	conn := tls.Client(plain, config)
	if err := conn.HandshakeContext(ctx); err != nil {
		plain.Close()
		return nil, &handshakeError{err}
	}
	l.warn(Validity("the broker's certificate", conn.ConnectionState().PeerCertificates[0], time.Now()))
	return conn, nil
}

// config reads the files anew.
func (l *Link) config() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: l.s.name()}
	if l.s.CA != "" {
		pool, err := Pool(l.s.CA)
		if err != nil {
			return nil, &fileError{fmt.Errorf("ca: %w", err)}
		}
		c.RootCAs = pool
	}
	if l.s.Cert != "" {
		pair, field, err := LoadPair(l.s.Cert, l.s.Key)
		if err != nil {
			return nil, &fileError{fmt.Errorf("%s: %w", field, err)}
		}
		l.warn(Validity("own certificate "+l.s.Cert, pair.Leaf, time.Now()))
		// Without this the certificate is silently kept back where the broker names other authorities than its own.
		c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }
	}
	return c, nil
}

func (l *Link) warn(f Finding) {
	if !f.Warn {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, say := l.said.Say(f.Text, time.Now()); say {
		l.log.LogAttrs(context.Background(), slog.LevelWarn, f.Text, slog.String("broker", l.s.URL))
	}
}

// handshakeError is a TLS handshake that failed.
type handshakeError struct{ err error }

func (e *handshakeError) Error() string { return "TLS handshake: " + e.err.Error() }
func (e *handshakeError) Unwrap() error { return e.err }

// fileError is a file, or a variable, of this side that cannot be used.
type fileError struct{ err error }

func (e *fileError) Error() string { return e.err.Error() }
func (e *fileError) Unwrap() error { return e.err }
