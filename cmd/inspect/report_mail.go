package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plumbsquare/internal/mail"
	"plumbsquare/internal/report"
)

// passwordVariable may hold the password of the mail server.
const passwordVariable = "INSPECT_SMTP_PASSWORD"

// mailFlags say where a report is sent.
type mailFlags struct {
	to                         []string
	from, smtp, user, password string // password: file
}

func (m *mailFlags) addFlags(f *pflag.FlagSet) {
	f.StringSliceVar(&m.to, "mail-to", nil, "send the report to these addresses")
	f.StringVar(&m.from, "mail-from", "", "address that it is sent from; otherwise the user of the server")
	f.StringVar(&m.smtp, "smtp", "", "server that takes the mail, host:port")
	f.StringVar(&m.user, "smtp-user", "", "user to log in to the server as; otherwise nobody logs in")
	f.StringVar(&m.password, "smtp-password-file", "", "file with the password; otherwise it is taken from "+passwordVariable)
}

// server returns where mail is handed in, nil when none is asked for.
func (m mailFlags) server() (*mail.Server, error) {
	switch {
	case len(m.to) == 0 && (m.smtp != "" || m.from != "" || m.user != "" || m.password != ""):
		return nil, usagef("whom to send to? Give --mail-to")
	case len(m.to) == 0:
		return nil, nil
	case m.smtp == "":
		return nil, usagef("through which server? Give --smtp host:port")
	case m.sender() == "":
		return nil, usagef("from which address? Give --mail-from")
	case m.password != "" && m.user == "":
		return nil, usagef("a password of whom? Give --smtp-user")
	}
	s := &mail.Server{Address: m.smtp, User: m.user}
	switch {
	case m.user == "":
	case m.password != "":
		text, err := os.ReadFile(m.password)
		if err != nil {
			return nil, err
		}
		s.Password = strings.TrimRight(string(text), "\r\n")
	default:
		s.Password = os.Getenv(passwordVariable)
	}
	if m.user != "" && s.Password == "" {
		return nil, usagef("there is no password for %s: give --smtp-password-file or set %s", m.user, passwordVariable)
	}
	return s, nil
}

func (m mailFlags) sender() string {
	if m.from == "" && strings.Contains(m.user, "@") {
		return m.user
	}
	return m.from
}

// send sends what a report comes to, with its files.
func (m mailFlags) send(ctx context.Context, s mail.Server, c report.Outcome, files []string, now time.Time) error {
	var text strings.Builder
	fmt.Fprintln(&text, c.Headline)
	for i, line := range c.First {
		fmt.Fprintf(&text, "%d. %s\n", i+1, line)
	}
	fmt.Fprintf(&text, "\nThe whole report is attached. It helps people decide; it does not release product.\n")
	msg := mail.Message{From: m.sender(), To: m.to, Subject: c.Title + ": " + c.Headline, Text: text.String(), Date: now}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		msg.Files = append(msg.Files, mail.File{Name: filepath.Base(name), Data: data})
	}
	return mail.Send(ctx, s, msg)
}
