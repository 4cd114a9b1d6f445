// Package mail sends a message with files through an SMTP server.
package mail

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
)

// A Server is where mail is handed in.
type Server struct {
	Address string // host:port; port 465 speaks TLS from the start, others STARTTLS
	// User and Password are asked for by most servers; without User nobody logs in.
	User, Password string
	// TLS refines the encryption, nil for the system's certificates. A server on this machine may go
	// without encryption as long as there is no password to hide.
	TLS *tls.Config
}

// A Message is what is sent.
type Message struct {
	From    string
	To      []string
	Subject string
	Text    string
	Files   []File
	Date    time.Time
}

// A File goes with a message.
type File struct {
	Name string
	Data []byte
}

// Limits of how long a server may take.
const (
	answerTime = 30 * time.Second
	sslPort    = 465
)

// Send hands a message in. It returns an error that says what to look at when the server can't be
// reached, doesn't encrypt, or refuses the login, an address or the message.
func Send(ctx context.Context, s Server, m Message) error {
	msg, err := m.build()
	if err != nil {
		return err
	}
	var line connection
	client, err := s.client(&line)
	if err != nil {
		return err
	}
	defer line.close()
	if err := client.DialAndSendWithContext(ctx, msg); err != nil {
		return fmt.Errorf("mail through %s: %w%s", s.Address, err, s.hint(err))
	}
	return nil
}

// A connection is what a client has opened. It leaves it open when the server turns it away.
type connection struct{ open []net.Conn }

func (c *connection) close() {
	for _, conn := range c.open {
		conn.Close() // most are closed already
	}
}

// dial opens a connection, encrypted from the start where asked.
func (c *connection) dial(encrypted *tls.Config) gomail.DialContextFunc {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		var d interface {
			DialContext(ctx context.Context, network, address string) (net.Conn, error)
		} = &net.Dialer{Timeout: answerTime}
		if encrypted != nil {
			d = &tls.Dialer{NetDialer: &net.Dialer{Timeout: answerTime}, Config: encrypted}
		}
		conn, err := d.DialContext(ctx, network, address)
		if err == nil {
			c.open = append(c.open, conn)
		}
		return conn, err
	}
}

func (m Message) build() (*gomail.Msg, error) {
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := msg.From(m.From); err != nil {
		return nil, fmt.Errorf("mail: sender %q: %w", m.From, err)
	}
	if len(m.To) == 0 {
		return nil, errors.New("mail: there is nobody to send to")
	}
	for _, to := range m.To {
		if err := msg.AddTo(to); err != nil {
			return nil, fmt.Errorf("mail: recipient %q: %w", to, err)
		}
	}
	msg.Subject(oneLine(m.Subject))
	msg.SetDateWithValue(m.Date)
	msg.SetMessageID()
	msg.SetBodyString(gomail.TypeTextPlain, m.Text)
	for _, f := range m.Files {
		if err := msg.AttachReader(f.Name, bytes.NewReader(f.Data)); err != nil {
			return nil, fmt.Errorf("mail: %s: %w", f.Name, err)
		}
	}
	return msg, nil
}

// oneLine keeps what stands in a header on its line.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func (s Server) client(line *connection) (*gomail.Client, error) {
	host, portText, err := net.SplitHostPort(s.Address)
	port, portErr := strconv.ParseUint(portText, 10, 16)
	if err != nil || portErr != nil || host == "" || port == 0 {
		return nil, fmt.Errorf("mail: want a server such as mail.example.com:587, got %q", s.Address)
	}
	encryption := s.TLS
	if encryption == nil {
		encryption = &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	}
	options := []gomail.Option{gomail.WithTimeout(answerTime), gomail.WithPort(int(port)), gomail.WithTLSConfig(encryption), gomail.WithDialContextFunc(line.dial(nil))}
	switch {
	case port == sslPort:
		options = append(options, gomail.WithSSL(), gomail.WithDialContextFunc(line.dial(encryption)))
	case s.local(host) && s.Password == "":
		options = append(options, gomail.WithTLSPolicy(gomail.TLSOpportunistic))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if s.User != "" {
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(s.User), gomail.WithPassword(s.Password))
	}
	return gomail.NewClient(host, options...)
}

// local reports whether a host is this machine.
func (s Server) local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// hint says what an error usually means.
func (s Server) hint(err error) string {
	text := err.Error()
	switch {
	case strings.Contains(text, "STARTTLS"):
		return "; the server offers no encryption, without which nothing is sent to another machine: ask for its port with STARTTLS (587) or TLS (465)"
	case strings.Contains(text, "authenticat") || strings.Contains(text, "535"):
		return "; look at the user and the password"
	case strings.Contains(text, "certificate"):
		return "; the server's certificate doesn't fit its name or isn't known on this machine"
	case strings.Contains(text, "refused") || strings.Contains(text, "no such host") || strings.Contains(text, "timeout"):
		return "; look at the host, the port and the network"
	}
	return ""
}
