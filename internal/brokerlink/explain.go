package brokerlink

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// ErrSlow is a broker that takes nothing any more.
var ErrSlow = errors.New("the broker takes nothing any more")

// A Kind is a way in which a link fails.
type Kind uint8

// The ways. Other is what is not told apart.
const (
	Other         Kind = iota
	Refused            // nobody listens
	NotFound           // the host's name is not known
	Unreachable        // no way to the host
	Silent             // no answer
	Closed             // the broker ended the connection
	Login              // wrong user or password, or no right
	ClientID           // the client id is refused
	Busy               // the broker takes nobody now
	Protocol           // no MQTT 3.1.1, or no TLS
	Authority          // the broker's certificate is from another authority
	Expired            // the broker's certificate, past
	NotYet             // the broker's certificate, not valid yet
	Name               // the broker's certificate is for another name
	OwnCert            // the broker refuses this side's certificate
	Misconfigured      // a file of this side cannot be read
)

// A Failure is why a link failed, in one line that says what to do.
type Failure struct {
	Kind Kind
	text string
	err  error
}

func (f *Failure) Error() string { return f.text }
func (f *Failure) Unwrap() error { return f.err }

// Standing tells whether the failure lasts until somebody does something.
func (f *Failure) Standing() bool { return f.Kind >= Login && f.Kind != Busy }

// key is equal for failures that need not be told apart; texts may hold the time.
func (f *Failure) key() string {
	if f.Kind == Other {
		return f.text
	}
	return fmt.Sprint(f.Kind)
}

// Explain says what an error of a connection means. A *Failure is handed back as it is. clientID is the one used.
func (s Settings) Explain(err error, clientID string) *Failure {
	var done *Failure
	if errors.As(err, &done) {
		return done
	}
	kind, text := s.explain(err, clientID)
	return &Failure{kind, "broker " + s.URL + text, err}
}

// Failure is one that the caller found; the text follows the broker's address.
func (s Settings) Failure(kind Kind, format string, args ...any) *Failure {
	return &Failure{kind, "broker " + s.URL + " " + fmt.Sprintf(format, args...), nil}
}

func (s Settings) explain(err error, clientID string) (Kind, string) {
	var dns *net.DNSError
	var record tls.RecordHeaderError
	var shaking *handshakeError
	var timeout net.Error
	var file *fileError
	atHandshake := errors.As(err, &shaking)
	connecting := errors.Is(err, packets.ErrorNetworkError)
	if errors.As(err, &file) {
		return Misconfigured, ": " + file.Error()
	}
	if kind, text := s.certificate(err); kind != Other {
		return kind, text
	}
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		switch {
		case s.User != "":
			return Login, fmt.Sprintf(" refuses user %q or its password: check both here and at the broker", s.User)
		case s.Cert != "":
			return Login, fmt.Sprintf(" gives the owner of the certificate %s no right to connect: check its name and the broker's rules", s.Cert)
		}
		return Login, " wants a log-in: write user and password_file"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return ClientID, fmt.Sprintf(" refuses the client id %q: allow it there for this user", clientID)
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return Protocol, " does not speak MQTT 3.1.1"
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		return Busy, " takes nobody now: is it starting, or are too many connected?"
	case errors.Is(err, syscall.ECONNREFUSED):
		return Refused, " refuses the connection: is it running?"
	case errors.As(err, &dns):
		return NotFound, fmt.Sprintf(": host %s is not found: is the name right, is the network up?", dns.Name)
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETDOWN), errors.Is(err, syscall.EHOSTDOWN):
		return Unreachable, " cannot be reached: there is no way to it; is the network up?"
	case errors.As(err, &record), strings.Contains(err.Error(), "first record does not look like a TLS handshake"):
		return Protocol, " does not speak TLS there: write mqtt://, or use its TLS port"
	case errors.Is(err, ErrSlow):
		return Silent, " takes nothing any more: is the link up?"
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		switch {
		case atHandshake:
			return Closed, " closed the connection in the TLS handshake: does it speak TLS there?"
		case connecting && !s.TLS():
			return Closed, " closed the connection instead of answering: if it speaks TLS there, write mqtts://"
		}
		return Closed, " closed the connection"
	case errors.As(err, &timeout) && timeout.Timeout(), errors.Is(err, context.DeadlineExceeded):
		return Silent, " does not answer: are address and network right?"
	}
	// The ports of one attempt say nothing, and make every line another.
	var op *net.OpError
	if errors.As(err, &op) && op.Err != nil {
		return Other, ": " + op.Err.Error()
	}
	return Other, ": " + err.Error()
}

// certificate is what is wrong with a certificate, of either side; Other: nothing.
func (s Settings) certificate(err error) (Kind, string) {
	var authority x509.UnknownAuthorityError
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	var op *net.OpError
	switch {
	case errors.As(err, &authority):
		if s.CA == "" {
			return Authority, ": its certificate comes from an authority that this machine does not know: name the authority's certificate under ca"
		}
		return Authority, fmt.Sprintf(": its certificate comes from another authority than those in %s: is that the right file, and the right broker?", s.CA)
	case errors.As(err, &host):
		has := strings.Join(names(host.Certificate), ", ")
		if has == "" {
			has = "no name at all"
		}
		return Name, fmt.Sprintf(": its certificate is for %s, not for %s: write one of its names as server_name, or correct url", has, s.name())
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && invalid.Cert != nil:
		// The library checks NotBefore first.
		now := time.Now()
		if now.Before(invalid.Cert.NotBefore) {
			return NotYet, fmt.Sprintf(": its certificate (%s) is not valid before %s, and this machine's clock says %s: set the clock, which is probably wrong",
				nameOf(invalid.Cert), minute(invalid.Cert.NotBefore), minute(now))
		}
		return Expired, fmt.Sprintf(": its certificate (%s) expired on %s, and this machine's clock says %s: renew the certificate, or set the clock if it is wrong",
			nameOf(invalid.Cert), minute(invalid.Cert.NotAfter), minute(now))
	case errors.As(err, &invalid):
		return Authority, ": its certificate is not trusted: " + invalid.Error()
	case errors.As(err, &op) && op.Op == "remote error":
		alert := strings.TrimPrefix(op.Err.Error(), "tls: ")
		switch alert {
		case "certificate required":
			return OwnCert, " wants a certificate of this side: write cert and key"
		case "expired certificate":
			return OwnCert, fmt.Sprintf(" says that this side's certificate (%s) is expired: renew it, or set the broker's clock if that is wrong", s.Cert)
		case "bad certificate", "unknown certificate authority", "unknown certificate", "unsupported certificate", "revoked certificate", "access denied":
			if s.Cert == "" {
				return OwnCert, fmt.Sprintf(" wants a certificate of this side (%s): write cert and key", alert)
			}
			return OwnCert, fmt.Sprintf(" refuses this side's certificate (%s): %s", s.Cert, alert)
		}
		return Protocol, " ends the TLS handshake: " + alert
	}
	return Other, ""
}
