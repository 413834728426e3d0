package notify_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"candidacy/internal/notify"
)

var message = notify.Message{
	ID: "0123@staff.example", To: "cora@staff.example", Subject: "Something waits", Body: "Something waits.", Date: time.Date(2026, 9, 14, 8, 0, 0, 0, time.UTC),
}

func TestProtectionOfTheConnection(t *testing.T) {
	cert, roots := certificate(t)
	secure, plain := newCatcher(t, cert), newCatcher(t, nil)
	for _, tt := range []struct {
		name   string
		server notify.SMTP
		mail   *catcher
		class  string
	}{
		{"STARTTLS", notify.SMTP{TLS: notify.StartTLS, Roots: roots}, secure, ""},
		{"STARTTLS with a sign-in", notify.SMTP{TLS: notify.StartTLS, Roots: roots, Username: "candidacy", Password: "right"}, secure, ""},
		{"the wrong password", notify.SMTP{TLS: notify.StartTLS, Roots: roots, Username: "candidacy", Password: "wrong"}, secure, "sign-in"},
		{"a server without STARTTLS", notify.SMTP{TLS: notify.StartTLS, Roots: roots}, plain, "tls"},
		{"a certificate that nobody knows", notify.SMTP{TLS: notify.StartTLS}, secure, "tls"},
		{"opportunistic with", notify.SMTP{TLS: notify.Opportunistic, Roots: roots}, secure, ""},
		{"opportunistic without", notify.SMTP{TLS: notify.Opportunistic}, plain, ""},
		{"implicit, and the server speaks in the clear", notify.SMTP{TLS: notify.ImplicitTLS, Roots: roots}, plain, "tls"},
		{"in the clear", notify.SMTP{TLS: notify.PlainText}, plain, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before := len(tt.mail.messages())
			tt.server.Address, tt.server.From, tt.server.Timeout = tt.mail.address, "candidacy@staff.example", 5*time.Second
			if err := tt.server.Check(); err != nil {
				t.Fatal(err)
			}
			err := tt.server.Send(t.Context(), message)
			var failure *notify.Failure
			switch errors.As(err, &failure); {
			case tt.class == "" && err != nil:
				t.Errorf("it failed with %v", err)
			case tt.class != "" && (failure == nil || failure.Class != tt.class || failure.Permanent):
				t.Errorf("it failed with %v, want %s for now", err, tt.class)
			}
			if sent := len(tt.mail.messages()) - before; (sent == 1) != (tt.class == "") {
				t.Errorf("%d messages were taken", sent)
			}
		})
	}
	if secure.signedIn != 1 {
		t.Errorf("signed in %d times, want 1", secure.signedIn)
	}
}

func TestSettingsThatCantWork(t *testing.T) {
	good := notify.SMTP{Address: "mail.example:587", From: "candidacy@staff.example", TLS: notify.StartTLS}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		change func(*notify.SMTP)
		want   string
	}{
		"no port":            {func(s *notify.SMTP) { s.Address = "mail.example" }, "host:port"},
		"a port of words":    {func(s *notify.SMTP) { s.Address = "mail.example:smtp" }, "1 to 65535"},
		"a port too high":    {func(s *notify.SMTP) { s.Address = "mail.example:65536" }, "1 to 65535"},
		"an unknown way":     {func(s *notify.SMTP) { s.TLS = "ssl" }, "starttls"},
		"a password in view": {func(s *notify.SMTP) { s.Username, s.Password, s.TLS = "u", "p", notify.Opportunistic }, "never sent without encryption"},
		"no password":        {func(s *notify.SMTP) { s.Username = "u" }, "password: missing"},
		"no sender":          {func(s *notify.SMTP) { s.From = "candidacy" }, "an e-mail address"},
	} {
		server := good
		tt.change(&server)
		if err := server.Check(); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}

// TestABadAddress fails for good and names nobody.
func TestABadAddress(t *testing.T) {
	server := notify.SMTP{Address: newCatcher(t, nil).address, From: "candidacy@staff.example", TLS: notify.PlainText}
	bad := message
	bad.To = "Quillon Zephyrwick"
	err := server.Send(t.Context(), bad)
	var failure *notify.Failure
	if !errors.As(err, &failure) || failure.Class != "address" || !failure.Permanent || strings.Contains(err.Error(), "Zephyrwick") {
		t.Errorf("the error is %v", err)
	}
}
