package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// TLS is how the connection to the mail server is protected.
type TLS string

// The ways. StartTLS refuses a server that does not offer it.
const (
	StartTLS      TLS = "starttls"
	Opportunistic TLS = "opportunistic"
	ImplicitTLS   TLS = "implicit"
	PlainText     TLS = "none"
)

// TLSChoices lists the ways.
var TLSChoices = []TLS{StartTLS, Opportunistic, ImplicitTLS, PlainText}

// SMTP is the mail server that messages are handed to.
type SMTP struct {
	// Address is host:port.
	Address string
	// From is the sender's address.
	From     string
	Username string
	Password string
	TLS      TLS
	// Roots replaces the system's certificate authorities.
	Roots *x509.CertPool
	// Timeout bounds each step of the conversation; 0 is half a minute.
	Timeout time.Duration
}

// Check reports what can't work, before anything is to be sent.
func (s *SMTP) Check() error {
	_, port, err := net.SplitHostPort(s.Address)
	if err != nil {
		return errors.New("the mail server's address: accepted: host:port, such as mail.example.org:587")
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return errors.New("the mail server's port: accepted: 1 to 65535")
	}
	if !slices.Contains(TLSChoices, s.TLS) {
		return fmt.Errorf("the protection of the connection: accepted: %v", TLSChoices)
	}
	if s.Username != "" && s.TLS != StartTLS && s.TLS != ImplicitTLS {
		return fmt.Errorf("a password is never sent without encryption: accepted: %s, %s", StartTLS, ImplicitTLS)
	}
	if s.Username != "" && s.Password == "" {
		return errors.New("the mail server's password: missing")
	}
	if s.Domain() == "" {
		return errors.New("the sender: accepted: an e-mail address")
	}
	_, err = s.client(nil)
	return err
}

// Domain is that of the sender.
func (s *SMTP) Domain() string {
	_, domain, _ := strings.Cut(s.From, "@")
	return domain
}

// client makes a client of the library. Dial replaces how it connects.
func (s *SMTP) client(dial mail.DialContextFunc) (*mail.Client, error) {
	host, port, err := net.SplitHostPort(s.Address)
	if err != nil {
		return nil, err
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	timeout := s.Timeout
	if timeout == 0 {
		timeout = 30 * time.Second
	}
	options := []mail.Option{
		mail.WithPort(number), mail.WithTimeout(timeout),
		mail.WithTLSConfig(&tls.Config{ServerName: host, RootCAs: s.Roots, MinVersion: tls.VersionTLS12}),
	}
	if dial != nil && s.TLS != ImplicitTLS {
		// With another dialler the library would not know that TLS is there already.
		options = append(options, mail.WithDialContextFunc(dial))
	}
	switch s.TLS {
	case ImplicitTLS:
		options = append(options, mail.WithSSL())
	case Opportunistic:
		options = append(options, mail.WithTLSPolicy(mail.TLSOpportunistic))
	case PlainText:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if s.Username != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(s.Username), mail.WithPassword(s.Password))
	}
	return mail.NewClient(host, options...)
}

// Send implements Sender.
func (s *SMTP) Send(ctx context.Context, m Message) error {
	// The library leaves the connection open when the greeting, TLS or the sign-in
	// fails, and does not let go of it when the program stops.
	var open net.Conn
	client, err := s.client(func(ctx context.Context, network, address string) (net.Conn, error) {
		var err error
		open, err = (&net.Dialer{}).DialContext(ctx, network, address)
		return open, err
	})
	if err != nil {
		return &Failure{Class: "settings"}
	}
	// The library's own headers would only tell which library it is.
	message := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if message.From(s.From) != nil {
		return &Failure{Class: "settings"}
	}
	if message.To(m.To) != nil {
		return &Failure{Class: "address", Permanent: true}
	}
	message.Subject(m.Subject)
	message.SetDateWithValue(m.Date)
	message.SetMessageIDWithValue(m.ID)
	// Nobody's absence assistant has to answer: RFC 3834, 5.
	message.SetGenHeader("Auto-Submitted", "auto-generated")
	message.SetBodyString(mail.TypeTextPlain, m.Body)
	connection, err := client.DialToSMTPClientWithContext(ctx)
	if open != nil {
		defer open.Close()
		defer context.AfterFunc(ctx, func() { _ = open.Close() })()
	}
	if err != nil {
		return &Failure{Class: dialClass(err)}
	}
	err = client.SendWithSMTPClient(connection, message)
	_ = client.CloseWithSMTPClient(connection) // what was taken is taken, however the talk ends
	if err == nil || message.IsDelivered() {
		return nil
	}
	return sendFailure(err)
}

// dialClass is the class of a failure before any message was offered. None is
// for ever: somebody repairs the server or the settings.
func dialClass(err error) string {
	var answer *textproto.Error
	var certificate *tls.CertificateVerificationError
	var header tls.RecordHeaderError
	switch {
	case strings.Contains(err.Error(), "AUTH"):
		return "sign-in"
	case errors.As(err, &answer):
		return smtpClass(answer.Code)
	case errors.As(err, &certificate), errors.As(err, &header), strings.Contains(err.Error(), "TLS"):
		return "tls"
	default:
		return "unreachable"
	}
}

// askAgain are refusals that the settings of the server or of this program are
// to blame for, and not the message: RFC 4954, 6.
var askAgain = []int{530, 534, 535, 538}

func sendFailure(err error) *Failure {
	var refused *mail.SendError
	if !errors.As(err, &refused) || refused.ErrorCode() == 0 {
		// Whether the server took the message is not known. It is offered again,
		// under the same Message-ID.
		return &Failure{Class: "connection-lost"}
	}
	code := refused.ErrorCode()
	return &Failure{Class: smtpClass(code), Permanent: code >= 500 && !slices.Contains(askAgain, code)}
}

func smtpClass(code int) string { return "smtp-" + strconv.Itoa(code) }
