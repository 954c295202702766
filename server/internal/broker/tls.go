package broker

import (
	"context"
	"crypto/tls"
	"log/slog"
	"sync"
	"time"

	"gritwatch/internal/brokerlink"
)

// certificates are the broker's own, read again when their files change, so that a renewed one counts without a restart.
type certificates struct {
	o Options

	mu     sync.Mutex
	stamps [3]stamp
	config *tls.Config
	said   brokerlink.Repeat
}

// newCertificates reads the files for the first time; nil without TLS.
func newCertificates(o Options) (*certificates, error) {
	if o.Cert == "" {
		return nil, nil
	}
	c := &certificates{o: o, said: brokerlink.Repeat{Every: 24 * time.Hour}}
	c.stamps = c.now()
	var err error
	c.config, err = c.read()
	return c, err
}

// server is the configuration of a listener; nil without TLS.
func (c *certificates) server() *tls.Config {
	if c == nil {
		return nil
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetConfigForClient: c.forClient}
}

func (c *certificates) now() [3]stamp {
	return [3]stamp{stampOf(c.o.Cert), stampOf(c.o.Key), stampOf(c.o.ClientCA)}
}

func (c *certificates) read() (*tls.Config, error) {
	pair, _, err := brokerlink.LoadPair(c.o.Cert, c.o.Key)
	if err != nil {
		return nil, err
	}
	out := &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}, SessionTicketsDisabled: true}
	if c.o.ClientCA != "" {
		if out.ClientCAs, err = brokerlink.Pool(c.o.ClientCA); err != nil {
			return nil, err
		}
		out.ClientAuth = tls.RequireAndVerifyClientCert
		if c.o.Users != "" {
			out.ClientAuth = tls.VerifyClientCertIfGiven
		}
	}
	return out, nil
}

// forClient is the configuration for one handshake.
func (c *certificates) forClient(*tls.ClientHelloInfo) (*tls.Config, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := c.now(); now != c.stamps {
		c.stamps = now
		if config, err := c.read(); err == nil {
			c.config = config
		} else {
			c.o.Log.LogAttrs(context.Background(), slog.LevelError, "the broker's changed certificate cannot be used; the former one stays",
				slog.String("reason", err.Error()))
		}
	}
	c.warn()
	return c.config, nil
}

// warn says that the broker's certificate ends soon, once a day.
func (c *certificates) warn() {
	f := brokerlink.Validity("the broker's certificate "+c.o.Cert, c.config.Certificates[0].Leaf, time.Now())
	if !f.Warn {
		return
	}
	if _, say := c.said.Say(c.o.Cert, time.Now()); say {
		c.o.Log.LogAttrs(context.Background(), slog.LevelWarn, f.Text)
	}
}
