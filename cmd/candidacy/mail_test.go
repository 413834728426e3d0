package main

import (
	"io"
	"log"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
)

// mailbox is a mail server that passes on what it takes.
type mailbox chan string

func (m mailbox) NewSession(*smtp.Conn) (smtp.Session, error) { return m, nil }
func (m mailbox) Reset()                                      {}
func (m mailbox) Logout() error                               { return nil }
func (m mailbox) Mail(string, *smtp.MailOptions) error        { return nil }
func (m mailbox) Rcpt(string, *smtp.RcptOptions) error        { return nil }
func (m mailbox) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	m <- string(raw)
	return err
}

// waitingNotice puts a candidate with a notice for coordinators in a folder.
func waitingNotice(t *testing.T, data string) {
	t.Helper()
	store, err := record.Open(t.Context(), system.RecordsPath(data), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	p := protocol.Default()
	if err := store.KeepProtocol(t.Context(), p.Version, p.Digest(), p.Source()); err != nil {
		t.Fatal(err)
	}
	const id = "00000001-0000-4000-8000-000000000000"
	_, err = store.Append(t.Context(), id, "refer", func(*record.Tx) (record.Draft, error) {
		e := journey.Event{Seq: 1, Command: journey.Command{
			ID: "refer", Candidate: id, Kind: journey.Refer, At: time.Now(), Today: journey.DateOf(time.Now(), p.Zone()),
		}}
		return record.Draft{
			Event: e, State: journey.Begin(p.Rules(), e),
			Refer: &record.Referral{Protocol: p.Version, Path: "nondirected", Identity: record.Identity{
				Given: "Quillon", Family: "Zephyrwick", BirthDate: "1981-03-14", Identifier: result.Identifier{System: "s", Value: "1"},
			}},
			Notices: []record.Notice{{
				Seq: 1, Deadline: journey.FirstReplyDue, Addressee: string(protocol.ToCoordinator), Protocol: p.Version, Text: "something-waits", DueAt: time.Now(),
			}},
		}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestServeSendsNotices from the outbox to a mail server, in a process as it is
// shipped.
func TestServeSendsNotices(t *testing.T) {
	data, box := t.TempDir(), make(mailbox, 10)
	server := smtp.NewServer(box)
	server.ErrorLog = log.New(io.Discard, "", 0)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() {
		_ = server.Close()
		_ = listener.Close()
	})
	waitingNotice(t, data)
	mustRun(t, "account", "add", "--data", data, "--username", "cora", "--role", "coordinator")
	if out := mustRun(t, "account", "set", "--data", data, "--username", "cora", "--email", "cora@staff.example"); !strings.Contains(out, "email cora@staff.example") {
		t.Errorf("account set says %s", out)
	}
	if out := mustRun(t, "account", "list", "--data", data); !strings.Contains(out, "enabled\tcora@staff.example") {
		t.Errorf("account list says %s", out)
	}
	out := mustRun(t, "notices", "list", "--data", data, "--state", "queued")
	if !strings.Contains(out, "\tqueued\tcoordinator\tsomething-waits\tfirst-reply-due\t") || strings.Contains(out, "@") {
		t.Errorf("waiting is %s", out)
	}
	srv := start(t, "serve", data, "--public-url", "https://candidacy.example/", "--smtp-address", listener.Addr().String(),
		"--smtp-from", "candidacy@staff.example", "--smtp-tls", "none")
	select {
	case got := <-box:
		for _, want := range []string{"To: <cora@staff.example>", "Subject: Something waits for you in Candidacy", "https://candidacy.example/\r\n"} {
			if !strings.Contains(got, want) {
				t.Errorf("the message lacks %q:\n%s", want, got)
			}
		}
		if strings.Contains(got, "Zephyrwick") || strings.Contains(got, "00000001") {
			t.Errorf("the message says of whom it is:\n%s", got)
		}
	case <-time.After(time.Minute):
		t.Fatal("nothing was sent")
	}
	srv.stop()
	if out := mustRun(t, "notices", "list", "--data", data); !strings.Contains(out, "\tsent\tcoordinator\t") {
		t.Errorf("after sending: %s", out)
	}
	mustRun(t, "account", "set", "--data", data, "--username", "cora", "--email", "")
	if out := mustRun(t, "account", "list", "--data", data); strings.Contains(out, "@") {
		t.Errorf("the address was taken away, and is listed: %s", out)
	}
}

func TestBadMailSettings(t *testing.T) {
	data := t.TempDir()
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("right\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	serve := func(args ...string) []string {
		return append([]string{"serve", "--data", data, "--listen", "127.0.0.1:0"}, args...)
	}
	whole := []string{"--public-url", "https://candidacy.example", "--smtp-address", "mail.example:587", "--smtp-from", "candidacy@staff.example"}
	for _, c := range []struct {
		args []string
		want string
	}{
		{serve("--smtp-from", "a@b.example"), "--smtp-address: missing"},
		{serve("--smtp-address", "mail.example:587"), "--public-url: missing"},
		{serve("--public-url", "https://candidacy.example", "--smtp-address", "mail.example:587", "--smtp-from", "Candidacy <a@b.example>"), "--smtp-from: accepted"},
		{serve(append(whole, "--smtp-tls", "ssl")...), "accepted: [starttls"},
		{serve(append(whole, "--smtp-address", "mail.example")...), "host:port"},
		{serve(append(whole, "--smtp-username", "candidacy")...), "password: missing"},
		{serve(append(whole, "--smtp-username", "candidacy", "--smtp-password-file", filepath.Join(data, "none"))...), "--smtp-password-file"},
		{serve(append(whole, "--smtp-username", "candidacy", "--smtp-password-file", secret, "--smtp-tls", "opportunistic")...), "never sent without encryption"},
		{[]string{"account", "set", "--data", data, "--username", "nobody", "--email", "a@b.example"}, "--username"},
		{[]string{"notices", "list", "--data", data, "--state", "lost"}, "accepted: [queued sent failed dropped]"},
		{[]string{"notices", "list", "--data", data, "--limit", "0"}, "--limit"},
	} {
		if out, err := run(t, c.args...); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q\n%s", strings.Join(c.args, " "), err, c.want, out)
		}
	}
	mustRun(t, "account", "add", "--data", data, "--username", "cora", "--role", "coordinator")
	for email, want := range map[string]string{"cora": "--email: accepted", "a@b.example, c@d.example": "--email: accepted"} {
		if _, err := run(t, "account", "set", "--data", data, "--username", "cora", "--email", email); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("--email %q: %v", email, err)
		}
	}
	if _, err := run(t, "account", "set", "--data", data, "--username", "cora"); err == nil || !strings.Contains(err.Error(), "--email: missing") {
		t.Errorf("without --email: %v", err)
	}
}
