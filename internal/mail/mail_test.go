package mail_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"io"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"net/textproto"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbsquare/internal/mail"
)

// A server takes mail as RFC 5321 (Simple Mail Transfer Protocol) has it, with STARTTLS (RFC 3207)
// and AUTH PLAIN (RFC 4954, RFC 4616) where it is told to.
type server struct {
	listener       net.Listener
	tls            *tls.Config // nil: no STARTTLS
	user, password string      // "": no login
	refuse         string      // an address that it doesn't know

	mu       sync.Mutex
	commands []string
	from     string
	to       []string
	data     string
	secret   bool // whether the message came encrypted
	loggedIn bool
}

// serve starts a server, which ends with the test.
func serve(t *testing.T, s *server) *server {
	t.Helper()
	var err error
	if s.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	var talks sync.WaitGroup
	go func() {
		defer close(done)
		for {
			c, err := s.listener.Accept()
			if err != nil {
				return
			}
			talks.Go(func() { s.talk(c) })
		}
	}()
	t.Cleanup(func() {
		s.listener.Close()
		<-done
		talks.Wait()
	})
	return s
}

func (s *server) address() string { return s.listener.Addr().String() }

func (s *server) talk(c net.Conn) {
	defer func() { c.Close() }()
	c.SetDeadline(time.Now().Add(20 * time.Second))
	in := textproto.NewReader(bufio.NewReader(c))
	say := func(format string, args ...any) { fmt.Fprintf(c, format+"\r\n", args...) }
	say("220 test")
	secret := false
	for {
		line, err := in.ReadLine()
		if err != nil {
			return
		}
		word, rest, _ := strings.Cut(line, " ")
		s.mu.Lock()
		s.commands = append(s.commands, strings.ToUpper(word))
		switch strings.ToUpper(word) {
		case "EHLO":
			lines := []string{"test"}
			if s.tls != nil && !secret {
				lines = append(lines, "STARTTLS")
			}
			if s.user != "" {
				lines = append(lines, "AUTH PLAIN")
			}
			for i, l := range lines {
				sep := "-"
				if i == len(lines)-1 {
					sep = " "
				}
				say("250%s%s", sep, l)
			}
		case "STARTTLS":
			say("220 go on")
			secure := tls.Server(c, s.tls)
			c, secret = secure, true
			in = textproto.NewReader(bufio.NewReader(secure))
		case "AUTH":
			login, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(rest, "PLAIN "))
			if s.loggedIn = string(login) == "\x00"+s.user+"\x00"+s.password; s.loggedIn {
				say("235 welcome")
			} else {
				say("535 who are you")
			}
		case "MAIL":
			s.from = rest
			say("250 ok")
		case "RCPT":
			if s.refuse != "" && strings.Contains(rest, s.refuse) {
				say("550 nobody of that name")
				break
			}
			s.to = append(s.to, rest)
			say("250 ok")
		case "DATA":
			say("354 go on")
			text, _ := in.ReadDotBytes()
			s.data, s.secret = string(text), secret
			say("250 taken")
		case "QUIT":
			say("221 bye")
			s.mu.Unlock()
			return
		default:
			say("250 ok")
		}
		s.mu.Unlock()
	}
}

// certificate returns one for 127.0.0.1, and how to trust it.
func certificate(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	c := &x509.Certificate{SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	own, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(own)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, &tls.Config{RootCAs: pool, ServerName: "127.0.0.1", MinVersion: tls.VersionTLS12}
}

func message() mail.Message {
	return mail.Message{
		From: "line@plant.example", To: []string{"one@plant.example", "two@plant.example"},
		Subject: "Needs attention: 3 rejected\r\nBcc: everybody@plant.example", Text: "Größe, θ\n.\n1. Look\n",
		Files: []mail.File{{Name: "ночь 4.pdf", Data: []byte("%PDF-1.3\n.\n\x00\xff")}, {Name: "night.html", Data: []byte("<p>x</p>")}},
		Date:  time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC),
	}
}

// What is sent arrives: addresses, words and files to the last byte, and nothing smuggled in.
func TestSend(t *testing.T) {
	s := serve(t, &server{})
	if err := mail.Send(t.Context(), mail.Server{Address: s.address()}, message()); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !strings.Contains(s.from, "line@plant.example") || len(s.to) != 2 || !strings.Contains(s.to[1], "two@plant.example") {
		t.Errorf("from %q to %q", s.from, s.to)
	}
	m, err := netmail.ReadMessage(strings.NewReader(s.data))
	if err != nil {
		t.Fatal(err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil || subject != "Needs attention: 3 rejected Bcc: everybody@plant.example" || m.Header.Get("Bcc") != "" {
		t.Errorf("subject %q, %v, Bcc %q", subject, err, m.Header.Get("Bcc"))
	}
	if at, err := m.Header.Date(); err != nil || !at.Equal(message().Date) {
		t.Errorf("date %v, %v", at, err)
	}
	_, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	var bodies []string
	var names []string
	for parts := multipart.NewReader(m.Body, params["boundary"]); ; {
		p, err := parts.NextRawPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		r := io.Reader(p)
		switch p.Header.Get("Content-Transfer-Encoding") {
		case "base64":
			r = base64.NewDecoder(base64.StdEncoding, p)
		case "quoted-printable":
			r = quotedprintable.NewReader(p)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		bodies = append(bodies, string(data))
		name, _ := new(mime.WordDecoder).DecodeHeader(p.FileName())
		names = append(names, name)
	}
	want := message()
	if len(bodies) != 3 || strings.TrimSpace(strings.ReplaceAll(bodies[0], "\r\n", "\n")) != strings.TrimSpace(want.Text) ||
		bodies[1] != string(want.Files[0].Data) || bodies[2] != string(want.Files[1].Data) {
		t.Errorf("arrived %q", bodies)
	}
	if !slices.Equal(names, []string{"", "ночь 4.pdf", "night.html"}) {
		t.Errorf("files %q", names)
	}
}

// A password goes over the line encrypted only.
func TestLogin(t *testing.T) {
	secure, trust := certificate(t)
	s := serve(t, &server{tls: secure, user: "line", password: "p ä\"ss"})
	if err := mail.Send(t.Context(), mail.Server{Address: s.address(), User: "line", Password: "p ä\"ss", TLS: trust}, message()); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	if !s.secret || !s.loggedIn || s.data == "" || slices.Index(s.commands, "STARTTLS") > slices.Index(s.commands, "AUTH") {
		t.Errorf("encrypted %v, logged in %v: %v", s.secret, s.loggedIn, s.commands)
	}
	s.mu.Unlock()

	open := serve(t, &server{user: "line", password: "secret"})
	err := mail.Send(t.Context(), mail.Server{Address: open.address(), User: "line", Password: "secret"}, message())
	if err == nil || !strings.Contains(err.Error(), "offers no encryption") {
		t.Errorf("a server without encryption: %v", err)
	}
	open.mu.Lock()
	if slices.Contains(open.commands, "AUTH") || open.data != "" {
		t.Errorf("the password was told to everybody: %v", open.commands)
	}
	open.mu.Unlock()
}

func TestSendErrors(t *testing.T) {
	secure, trust := certificate(t)
	locked := serve(t, &server{tls: secure, user: "line", password: "secret"})
	choosy := serve(t, &server{refuse: "two@"})
	gone := serve(t, &server{})
	gone.listener.Close()
	nobody, odd := message(), message()
	nobody.To = nil
	odd.To = []string{"no address"}
	for name, c := range map[string]struct {
		server mail.Server
		m      mail.Message
		want   string
	}{
		"wrong password":  {mail.Server{Address: locked.address(), User: "line", Password: "other", TLS: trust}, message(), "look at the user and the password"},
		"no trust":        {mail.Server{Address: locked.address(), User: "line", Password: "secret"}, message(), "certificate"},
		"unknown address": {mail.Server{Address: choosy.address()}, message(), "nobody of that name"},
		"nobody there":    {mail.Server{Address: gone.address()}, message(), "look at the host, the port"},
		"no port":         {mail.Server{Address: "mail.example"}, message(), `want a server such as mail.example.com:587, got "mail.example"`},
		"no host":         {mail.Server{Address: ":25"}, message(), "want a server"},
		"to nobody":       {mail.Server{Address: choosy.address()}, nobody, "nobody to send to"},
		"no address":      {mail.Server{Address: choosy.address()}, odd, `recipient "no address"`},
	} {
		err := mail.Send(t.Context(), c.server, c.m)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", name, err, c.want)
		}
	}
}
