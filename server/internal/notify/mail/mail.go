// Package mail tells alarms to people by mail, through an SMTP server that is spoken to over TLS: by STARTTLS (RFC 3207) or
// from the first byte (RFC 8314). In clear only on this machine's own loopback, where the settings say so.
//
// Each recipient gets a mail of his own, so that one wrong address keeps it from nobody else; who has got it does not get it
// again when the others are tried anew. The Message-ID is the same whenever the same is told again.
package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

// The ways of encrypting.
const (
	StartTLS = "starttls"
	Implicit = "implicit"
	None     = "none"
)

// Settings are the keys of `mail:`.
type Settings struct {
	Host     string
	Port     int
	TLS      string // StartTLS, Implicit or None
	CA       string // PEM: the authorities that may have signed the server's certificate; empty: the system's
	User     string // empty: no log-in
	Password post.Secret
	From     string   // an address
	To       []string // addresses; at least one
	Timeout  time.Duration
}

// Read reads the keys. It looks into no file; Look does.
func Read(m yamlfile.Map) *Settings {
	o := m.Optional()
	s := &Settings{TLS: StartTLS, CA: o.String("ca"), User: o.String("user"), Password: post.ReadSecret(m, "password"), Timeout: post.Timeout(m)}
	if m.Has("tls") {
		s.TLS = m.Choice("tls", StartTLS, Implicit, None)
	}
	usual := map[string]int{StartTLS: 587, Implicit: 465, None: 25}[s.TLS] // RFC 8314 section 7.3; RFC 5321
	yamlfile.Scalar(m, "server", "mail.example:587", func(text string) (struct{}, error) {
		host, port := text, usual
		if h, p, err := net.SplitHostPort(text); err == nil {
			n, err := strconv.Atoi(p)
			if err != nil || n < 1 || n > 65535 {
				return struct{}{}, fmt.Errorf("%q has a port that is not from 1 to 65535; write for example mail.example:587", text)
			}
			host, port = h, n
		}
		if host == "" || strings.ContainsAny(host, "/@ []") || strings.Contains(host, ":") && net.ParseIP(host) == nil {
			return struct{}{}, fmt.Errorf("%q is not a mail server; write for example mail.example:587", text)
		}
		s.Host, s.Port = host, port
		return struct{}{}, nil
	})
	if s.TLS == None {
		if s.Host != "" && !post.Local(s.Host) {
			m.Fail("tls", "none would send mail in clear to "+s.Host, "that is taken on 127.0.0.1 alone; use starttls or implicit")
		}
		for _, k := range []string{"ca", "user"} {
			if m.Has(k) {
				m.Fail(k, "has no use without TLS", "")
			}
		}
	}
	switch {
	case s.User != "" && !s.Password.Given():
		m.Fail("user", "stands without its password", "add password_file")
	case s.User == "" && s.Password.Given():
		m.Fail("password_file", "stands without a user", "add user")
	}
	s.From = yamlfile.Scalar(m, "from", "gritwatch@mail.example", address)
	for _, v := range m.List("to") {
		if a := yamlfile.ScalarOf(v, address); a != "" {
			s.To = append(s.To, a)
		}
	}
	if m.Has("to") && len(m.List("to")) == 0 {
		m.Fail("to", "is nobody", "write at least one address")
	}
	return s
}

// address checks the address of a person.
func address(text string) (string, error) {
	a, err := netmail.ParseAddress(text)
	if err != nil || strings.ContainsAny(text, "\r\n") || !strings.Contains(a.Address, "@") {
		return "", fmt.Errorf("%q is not a mail address; write for example foreman@mail.example", text)
	}
	return text, nil
}

// Where is the server.
func (s *Settings) Where() string { return net.JoinHostPort(s.Host, strconv.Itoa(s.Port)) }

// Look looks into the files of the settings, which were read from m.
func (s *Settings) Look(m yamlfile.Map, now time.Time) []brokerlink.Finding {
	out := post.LookCA(s.CA, m, now)
	if s.TLS == None {
		out = append(out, brokerlink.Finding{Text: "mail goes in clear to " + s.Where() + " on this machine"})
	}
	return append(out, s.Password.Look(m, "password", func(string) error { return nil })...)
}

// A Sender tells the recipients of one receiver. Not safe for concurrent use.
type Sender struct {
	settings *Settings
	zone     *time.Location

	last string          // ID of the message that was sent last
	got  map[string]bool // who has got it
}

// New is one by settings; times are written in a zone.
func New(s *Settings, zone *time.Location) *Sender { return &Sender{settings: s, zone: zone} }

// Close does nothing: each message has its own connection.
func (s *Sender) Close() {}

// Send tells a message to those who have not got it yet. An error is a *message.Failure.
func (s *Sender) Send(ctx context.Context, m message.Message) error {
	if id := m.ID(); id != s.last {
		s.last, s.got = id, map[string]bool{}
	}
	var mails []*gomail.Msg
	var to []string
	for _, a := range s.settings.To {
		if s.got[a] {
			continue
		}
		x, err := s.write(&m, a)
		if err != nil {
			return &message.Failure{Refused: true, Why: err}
		}
		mails, to = append(mails, x), append(to, a)
	}
	if err := s.send(ctx, mails); err != nil {
		return err
	}
	var refused, later []string
	var why error
	for i, x := range mails {
		switch {
		case x.IsDelivered():
			s.got[to[i]] = true
		case permanent(x.SendError()):
			refused, why = append(refused, to[i]), x.SendError()
		default:
			later, why = append(later, to[i]), x.SendError()
		}
	}
	if len(refused)+len(later) == 0 {
		return nil
	}
	var answer *gomail.SendError
	if errors.As(why, &answer) && answer.ErrorCode() != 0 {
		why = fmt.Errorf("it answers %d", answer.ErrorCode())
	}
	// Somebody was refused for good: the rest of what waits need not wait for that.
	return &message.Failure{Refused: len(refused) > 0, Why: fmt.Errorf("%d of %d have not got it (%s): %w", len(refused)+len(later), len(s.settings.To), strings.Join(append(refused, later...), ", "), why)}
}

// permanent tells whether the server has answered that it will never take a mail (RFC 5321 section 4.2.1: 5yz).
func permanent(err error) bool {
	var answer *gomail.SendError
	return errors.As(err, &answer) && answer.ErrorCode() >= 500
}

// send hands mails to the server. An error says that not even one could be tried.
func (s *Sender) send(ctx context.Context, mails []*gomail.Msg) error {
	var password string
	var pool *x509.CertPool
	var err error
	if s.settings.User != "" {
		if password, err = s.settings.Password.Value(); err != nil {
			return &message.Failure{Why: err}
		}
	}
	if s.settings.CA != "" {
		if pool, err = brokerlink.Pool(s.settings.CA); err != nil {
			return &message.Failure{Why: fmt.Errorf("ca: %w", err)}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 2*s.settings.Timeout)
	defer cancel()
	line := &line{ctx: ctx}
	defer line.Close()
	o := []gomail.Option{gomail.WithPort(s.settings.Port), gomail.WithTimeout(s.settings.Timeout),
		gomail.WithTLSConfig(&tls.Config{ServerName: s.settings.Host, MinVersion: tls.VersionTLS12, RootCAs: pool})}
	switch s.settings.TLS {
	case Implicit:
		o = append(o, gomail.WithSSL()) // the library's own connection: only so it knows that a log-in is safe
	case None:
		o = append(o, gomail.WithTLSPolicy(gomail.NoTLS), gomail.WithDialContextFunc(line.dial))
	default:
		o = append(o, gomail.WithTLSPolicy(gomail.TLSMandatory), gomail.WithDialContextFunc(line.dial))
	}
	if s.settings.User != "" {
		o = append(o, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(s.settings.User), gomail.WithPassword(password))
	}
	c, err := gomail.NewClient(s.settings.Host, o...)
	if err != nil {
		return &message.Failure{Why: err}
	}
	session, err := c.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return &message.Failure{Why: trusted(err)}
	}
	// What became of each mail stands in it; that the farewell failed changes nothing.
	_ = c.SendWithSMTPClient(session, mails...)
	_ = c.CloseWithSMTPClient(session)
	for _, m := range mails {
		if m.IsDelivered() || m.HasSendError() {
			return nil
		}
	}
	return &message.Failure{Why: errors.New("the connection ended before anything was sent")}
}

// trusted says what to do about a certificate.
func trusted(err error) error {
	if t := (*tls.CertificateVerificationError)(nil); errors.As(err, &t) {
		return fmt.Errorf("its certificate is not trusted (%w): name its authority in ca", t.Err)
	}
	return err
}

// A line is a connection that ends with the context of the whole message, whatever the other side does.
type line struct {
	ctx  context.Context
	conn net.Conn
	stop func() bool
}

func (l *line) dial(ctx context.Context, network, address string) (net.Conn, error) {
	c, err := (&net.Dialer{}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	l.conn = c
	l.stop = context.AfterFunc(l.ctx, func() { c.Close() })
	return c, nil
}

// Close ends the connection, if there is one.
func (l *line) Close() {
	if l.conn != nil {
		l.stop()
		l.conn.Close()
	}
}

// write makes the mail for one recipient.
func (s *Sender) write(m *message.Message, to string) (*gomail.Msg, error) {
	x := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := x.From(s.settings.From); err != nil {
		return nil, err
	}
	if err := x.To(to); err != nil {
		return nil, err
	}
	domain := "gritwatch"
	if a, err := netmail.ParseAddress(s.settings.From); err == nil {
		domain = a.Address[strings.LastIndex(a.Address, "@")+1:]
	}
	x.SetMessageIDWithValue(m.ID() + "@" + domain)
	x.SetDateWithValue(m.At.Time())
	x.Subject(m.Subject())
	x.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no answers by machines
	if !m.Test() && m.Worst() == alarm.Critical {
		x.SetImportance(gomail.ImportanceUrgent)
	}
	x.SetBodyString(gomail.TypeTextPlain, m.Text(s.zone))
	return x, nil
}
