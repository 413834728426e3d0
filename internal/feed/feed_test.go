package feed_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"candidacy/internal/feed"
	"candidacy/internal/incoming"
	"candidacy/internal/mllp"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	messages "candidacy/testdata/hl7"
)

// desk notes what it is given and answers as it is told.
type desk struct {
	given   []incoming.Delivery
	receipt incoming.Receipt
	err     error
}

func (d *desk) Receive(_ context.Context, delivery incoming.Delivery) (incoming.Receipt, error) {
	d.given = append(d.given, delivery)
	return d.receipt, d.err
}

var standard = protocol.Default()

func newFeed(d *desk, p *protocol.Protocol, log *bytes.Buffer) *feed.Feed {
	return &feed.Feed{
		Receiver: d, Protocol: p, Now: func() time.Time { return time.Date(2024, 1, 13, 12, 0, 0, 0, time.UTC) },
		ControlID: func() string { return "A-1" }, Log: slog.New(slog.NewTextHandler(log, nil)),
	}
}

// answer is the acknowledgement without its MSH.
func answer(t *testing.T, f *feed.Feed, frame mllp.Frame, certificate ...string) string {
	t.Helper()
	list := f.Handle(t.Context(), mllp.Peer{Address: "192.0.2.1:1", Certificate: certificate}, frame)
	if len(list) != 1 {
		t.Fatalf("%d answers", len(list))
	}
	_, rest, _ := strings.Cut(string(list[0]), "\r")
	return strings.TrimSuffix(strings.ReplaceAll(rest, "\r", "\n"), "\n")
}

func TestWhatBecomesOfAMessageIsAcknowledged(t *testing.T) {
	issue := reading.Issue{Kind: reading.NotUnderstood, Location: "OBX[2]-11", Code: "103", Problem: "not a code", Accepted: []string{"F", "C"}}
	foreign := reading.Issue{Kind: reading.NotAccepted, Location: "Bundle.entry[0]", Code: "value", Problem: "not plausible"}
	for _, each := range []struct {
		name    string
		receipt incoming.Receipt
		err     error
		want    string
	}{
		{"waits", incoming.Receipt{State: incoming.Received}, nil, "MSA|AA|EX-0001"},
		{"is on record", incoming.Receipt{State: incoming.Applied, Repeated: true}, nil, "MSA|AA|EX-0001"},
		{"waits for a person", incoming.Receipt{State: incoming.Held, Issues: []reading.Issue{issue}}, nil, "MSA|AA|EX-0001"},
		{"was settled by a person", incoming.Receipt{State: incoming.Settled}, nil, "MSA|AA|EX-0001"},
		{"has faults", incoming.Receipt{State: incoming.Refused, Issues: []reading.Issue{issue, foreign}}, nil,
			"MSA|AE|EX-0001\nERR||OBX^2^11^1|103^Table value not found^HL70357|E||||not a code; accepted: F, C\n" +
				"ERR||MSH^1|207^Application internal error^HL70357|E||||not plausible"},
		{"is of no kind that is taken", incoming.Receipt{State: incoming.Refused, Rejected: true, Issues: []reading.Issue{issue}}, nil,
			"MSA|AR|EX-0001\nERR||OBX^2^11^1|103^Table value not found^HL70357|E||||not a code; accepted: F, C"},
		{"could not be kept", incoming.Receipt{}, errors.New("disk full while storing Fictborne"),
			"MSA|AR|EX-0001\nERR||MSH^1|207^Application internal error^HL70357|E||||it could not be kept; send it again"},
	} {
		var log bytes.Buffer
		d := &desk{receipt: each.receipt, err: each.err}
		raw := messages.Message("results")
		if is := answer(t, newFeed(d, standard, &log), mllp.Frame{Message: raw}); is != each.want {
			t.Errorf("%s:\n%s\nwant\n%s", each.name, is, each.want)
		}
		got := d.given[0]
		if got.Channel != incoming.MLLP || got.Sender != "example-laboratory" || got.ControlID != "EX-0001" || !bytes.Equal(got.Raw, raw) ||
			got.MessageTime != "2024-01-05T14:24:05+01:00" || got.ContentType != "x-application/hl7-v2+er7" {
			t.Errorf("%s: given %+v", each.name, got)
		}
		if strings.Contains(log.String(), "Fictborne") {
			t.Errorf("%s: the log names somebody: %s", each.name, &log)
		}
	}
}

// TestWhateverComesIsKept sends what is no message, or only nearly one.
func TestWhateverComesIsKept(t *testing.T) {
	var log bytes.Buffer
	d := &desk{receipt: incoming.Receipt{State: incoming.Refused, Rejected: true}}
	f := newFeed(d, standard, &log)
	for _, each := range []struct{ message, control, ack string }{
		{"garbage", "", "MSA|AR"},
		{"MSH|", "", "MSA|AR"},
		{"MSH|^~\\&|X|Y|||||ORU^R01|a\\F\\b|P|2.5", "a|b", "MSA|AR|a\\F\\b"},
		{"MSH|^~\\&|X|Y|||||ORU^R01|\xff|P|2.5", "sha256-a8100ae6aa1940d0b663bb31cd466142ebbdbd5187131b92d93818987832eb89", "MSA|AR|\xff"},
		{"MSH|^~\\&|X|Y|||||ORU^R01|" + strings.Repeat("1", 300) + "|P|2.5", "sha256-6f631ea1d7c68b37ee118ad5362a8f2a67fb923d4f8e6fcfcc3831ec9a30dbad", "MSA|AR|" + strings.Repeat("1", 300)},
	} {
		if is := answer(t, f, mllp.Frame{Message: []byte(each.message)}); is != each.ack {
			t.Errorf("%.40q: %.60q, want %.60q", each.message, is, each.ack)
		}
		if got := d.given[len(d.given)-1]; string(got.Raw) != each.message || got.ControlID != each.control || got.Sender != "" {
			t.Errorf("%.40q: given as %.80q", each.message, got.ControlID)
		}
	}
	before := len(d.given)
	if is := answer(t, f, mllp.Frame{Message: messages.Message("results")[:200], TooLarge: true}); !strings.HasPrefix(is, "MSA|AR|EX-0001\nERR||MSH^1|207^") {
		t.Errorf("too large: %s", is)
	}
	if is := answer(t, f, mllp.Frame{}); !strings.HasPrefix(is, "MSA|AR\nERR||MSH^1|100^") {
		t.Errorf("empty: %s", is)
	}
	if len(d.given) != before {
		t.Error("what can't be kept was handed on")
	}
}

// A sender with a certificate of its own is not believed by its name alone.
func TestSendersAreKnownByTheirCertificates(t *testing.T) {
	p, err := protocol.Parse([]byte(strings.Replace(standard.Source(), "      facility: EXAMPLE-LAB\n",
		"      facility: EXAMPLE-LAB\n      certificate: lis.example\n", 1)))
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	d := &desk{}
	f := newFeed(d, p, &log)
	for _, each := range []struct {
		certificate []string
		want        string
	}{{nil, ""}, {[]string{"another.example"}, ""}, {[]string{"CN", "lis.example"}, "example-laboratory"}} {
		answer(t, f, mllp.Frame{Message: messages.Message("results")}, each.certificate...)
		if is := d.given[len(d.given)-1].Sender; is != each.want {
			t.Errorf("%v: %q", each.certificate, is)
		}
	}
}
