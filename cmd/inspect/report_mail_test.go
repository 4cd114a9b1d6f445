package main

import (
	"bufio"
	"bytes"
	"net"
	"net/textproto"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/store"
)

// takeMail serves one message at an address of this machine, without encryption, and returns what came.
func takeMail(t *testing.T, at string) (address string, message func() string) {
	t.Helper()
	listener, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	came := make(chan string, 1)
	go func() {
		defer close(came)
		c, err := listener.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		c.SetDeadline(time.Now().Add(20 * time.Second))
		talk := textproto.NewConn(c)
		talk.PrintfLine("220 test")
		for {
			line, err := talk.ReadLine()
			if err != nil {
				return
			}
			switch word, _, _ := strings.Cut(line, " "); word {
			case "DATA":
				talk.PrintfLine("354 go on")
				text, _ := talk.ReadDotBytes()
				came <- string(text)
				talk.PrintfLine("250 taken")
			case "QUIT":
				talk.PrintfLine("221 bye")
				return
			default:
				talk.PrintfLine("250 ok")
			}
		}
	}()
	t.Cleanup(func() { listener.Close() })
	return listener.Addr().String(), func() string { return <-came }
}

// A report that is sent says in the mail what it comes to, and has its files with it; one that can't
// be sent is written all the same, and the command fails.
func TestReportByMail(t *testing.T) {
	dir := t.TempDir()
	readings := filepath.Join(dir, "r.jsonl")
	const one = `{"schema":"reading/1","source":{"picture":"a.png","part":"tern"},"shot":{"view":"die-plan"},"verdict":{"decision":"reject","reasons":[{"what":"offset_x_um","decision":"reject","text":"too far right"}]},"offset":{"of":"die","x_um":140}}` + "\n"
	if err := os.WriteFile(readings, []byte(one), 0o666); err != nil {
		t.Fatal(err)
	}
	address, message := takeMail(t, "127.0.0.1:0")
	report := func(server string) (status int, stdout, stderr string) {
		var out, errs bytes.Buffer
		status = run([]string{"report", readings, "-o", filepath.Join(dir, "night.pdf"), "-o", filepath.Join(dir, "night.html"),
			"--title", "Night", "--mail-to", "morning@plant.example", "--mail-from", "line@plant.example", "--smtp", server}, &out, &errs)
		return status, out.String(), errs.String()
	}
	status, stdout, stderr := report(address)
	if status != exitNotAccepted || !strings.Contains(stdout, "sent to: morning@plant.example") || stderr != "" {
		t.Fatalf("status %d, said %q and %q", status, stdout, stderr)
	}
	got := strings.ReplaceAll(message(), "=\n", "") // quoted-printable breaks lines so
	head, _ := textproto.NewReader(bufio.NewReader(strings.NewReader(got))).ReadMIMEHeader()
	if s := head.Get("Subject"); s != "Night: Needs attention: 1 rejected." {
		t.Errorf("subject %q", s)
	}
	for _, text := range []string{"1. Look at the reject", "does not release product", `filename="night.pdf"`, `filename="night.html"`} {
		if !strings.Contains(got, text) {
			t.Errorf("the mail doesn't say %q", text)
		}
	}

	if err := os.Remove(filepath.Join(dir, "night.pdf")); err != nil {
		t.Fatal(err)
	}
	status, _, stderr = report(nobody(t))
	if status != exitFailed || !strings.Contains(stderr, "the report is written") || !strings.Contains(stderr, "not sent") {
		t.Errorf("nobody there: status %d, said %q", status, stderr)
	}
	if _, err := os.Stat(filepath.Join(dir, "night.pdf")); err != nil {
		t.Errorf("the report is lost: %v", err)
	}
}

// nobody returns an address of this machine at which nobody listens.
func nobody(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	listener.Close()
	return listener.Addr().String()
}

// The report of a night is sent once, however often it is asked for; one that can't be sent is when
// the server is back.
func TestNightlyMail(t *testing.T) {
	dir := t.TempDir()
	st, err := store.Open(t.Context(), filepath.Join(dir, "line.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	server := nobody(t)
	o := watchOptions{reportAt: "05:30", reports: filepath.Join(dir, "reports"), mail: mailFlags{to: []string{"morning@plant.example"}, from: "line@plant.example", smtp: server}}
	n, err := o.nightly(dir, st)
	if err != nil {
		t.Fatal(err)
	}
	until := time.Date(2031, 3, 5, 5, 30, 0, 0, time.UTC)
	night := func() error { return n.Write(t.Context(), "2031-03-05", until.AddDate(0, 0, -1), until) }
	if err := night(); err == nil {
		t.Fatal("sent to nobody")
	}
	if _, err := os.Stat(filepath.Join(dir, "reports", "2031-03-05.pdf")); err != nil {
		t.Errorf("the report isn't there: %v", err)
	}
	_, message := takeMail(t, server)
	if err := night(); err != nil {
		t.Fatal(err)
	}
	if got := message(); !strings.Contains(got, "Subject: Report of 2031-03-05: Nothing was measured") || !strings.Contains(got, `filename="2031-03-05.html"`) {
		t.Errorf("got %.600q", got)
	}
	if err := night(); err != nil { // takeMail takes one message only
		t.Errorf("asked for again: %v", err)
	}
}
