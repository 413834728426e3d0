package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/feed"
	"candidacy/internal/hl7"
	"candidacy/internal/journey"
	"candidacy/internal/mllp"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
	messages "candidacy/testdata/hl7"
)

// laboratory is a sender on one connection.
type laboratory struct {
	conn net.Conn
	in   *mllp.Reader
}

func connect(address string, secure *tls.Config) (*laboratory, error) {
	var conn net.Conn
	var err error
	if secure == nil {
		conn, err = net.Dial("tcp", address)
	} else {
		conn, err = tls.Dial("tcp", address, secure)
	}
	if err != nil {
		return nil, err
	}
	return &laboratory{conn: conn, in: mllp.NewReader(conn, 1<<20)}, nil
}

// send sends a message and returns the code of MSA-1 with the control id of
// MSA-2. An error is that of the connection.
func (l *laboratory) send(message []byte) (code, control string, err error) {
	if _, err := l.conn.Write(mllp.Wrap(message)); err != nil {
		return "", "", err
	}
	if err := l.in.Wait(); err != nil {
		return "", "", err
	}
	frame, err := l.in.Rest()
	if err != nil {
		return "", "", err
	}
	_, msa, _ := strings.Cut(string(frame.Message), "\rMSA|")
	parts := strings.Split(strings.SplitN(msa, "\r", 2)[0], "|")
	if len(parts) < 2 {
		return "", "", fmt.Errorf("not an acknowledgement: %q", frame.Message)
	}
	return parts[0], parts[1], nil
}

// mllpAddress is where a program said that it takes messages.
func mllpAddress(t *testing.T, s *server) string {
	t.Helper()
	_, rest, found := strings.Cut(s.said, "HL7 v2 by MLLP: ")
	if !found {
		t.Fatalf("no address for HL7 v2:\n%s", s.said)
	}
	return strings.SplitN(rest, "\n", 2)[0]
}

// TestAcknowledgedMessagesAreOnDisk kills the program with SIGKILL at random
// points while several laboratories send, restarts it, and checks that every
// message that was acknowledged is on disk, whole and once.
func TestAcknowledgedMessagesAreOnDisk(t *testing.T) {
	rounds, chance := killing(t, 8, 3, 2)
	data := t.TempDir()
	const senders = 3
	next := make([]int, senders)
	sent := make([]map[string][]byte, senders)
	acknowledged := make([]map[string]bool, senders)
	for i := range senders {
		sent[i], acknowledged[i] = map[string][]byte{}, map[string]bool{}
	}
	message := func(sender, number int) (id string, raw []byte) {
		id = fmt.Sprintf("L%d-%d", sender, number)
		raw = bytes.Replace(messages.Message("results"), []byte("EX-0001"), []byte(id), 1)
		return id, bytes.ReplaceAll(raw, []byte("SYN-0022"), fmt.Appendf(nil, "UNKNOWN-%d", number))
	}
	for range rounds {
		srv := start(t, "serve", data, "--mllp", "127.0.0.1:0")
		address := mllpAddress(t, srv)
		target := int64(1 + chance.IntN(30))
		var done atomic.Int64
		kill := sync.OnceFunc(srv.kill)
		var group sync.WaitGroup
		for i := range senders {
			group.Go(func() {
				l, err := connect(address, nil)
				if err != nil {
					return
				}
				defer l.conn.Close()
				for {
					// What was sent and not acknowledged is sent again, as it was.
					id, raw := message(i, next[i])
					sent[i][id] = raw
					code, control, err := l.send(raw)
					if err != nil {
						return
					}
					if code != "AA" || control != id {
						t.Errorf("%s: %s for %s", id, code, control)
						return
					}
					acknowledged[i][id] = true
					next[i]++
					if done.Add(1) >= target {
						kill()
						return
					}
				}
			})
		}
		group.Wait()
		kill()
		if t.Failed() {
			t.FailNow()
		}
	}
	store, err := record.Open(t.Context(), data+"/records.db", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	kept, err := store.Incomings(t.Context(), 100_000, record.IncomingStates...)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]int{}
	for _, m := range kept {
		found[m.ControlID]++
		sender, _ := strconv.Atoi(m.ControlID[1:2])
		if !bytes.Equal(m.Raw, sent[sender][m.ControlID]) || m.Sender != "example-laboratory" {
			t.Errorf("%s is not what was sent", m.ControlID)
		}
	}
	total := 0
	for i := range senders {
		total += len(acknowledged[i])
		for id := range acknowledged[i] {
			if found[id] != 1 {
				t.Errorf("%s was acknowledged, and is on disk %d times", id, found[id])
			}
		}
	}
	if total < rounds {
		t.Errorf("%d messages acknowledged in %d rounds", total, rounds)
	}
	t.Logf("%d messages acknowledged", total)
}

// hospital is a system with one candidate, whose messages are carried out when
// the test says so.
type hospital struct {
	*system.System
	feed      *feed.Feed
	candidate string
}

func openHospital(t testing.TB, p *protocol.Protocol) hospital {
	t.Helper()
	sys, err := system.Open(t.Context(), system.Options{DataDir: t.TempDir(), Protocol: p})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := sys.Close(); err != nil {
			t.Error(err)
		}
	})
	h := hospital{System: sys, feed: &feed.Feed{
		Receiver: sys.Incoming, Protocol: sys.Current, Now: time.Now, ControlID: ackID, Log: slog.New(slog.DiscardHandler),
	}}
	give := func(kind journey.Kind, body command.Body) {
		receipt, err := sys.Dispatcher.Submit(t.Context(), dispatch.Request{
			Candidate: h.candidate, Key: string(kind), Kind: kind, Actor: "coordinator", Role: journey.Coordinator, Body: body,
		})
		if err != nil {
			t.Fatal(err)
		}
		h.candidate = receipt.Candidate
	}
	give(journey.Refer, &command.Referral{
		Given: "Vesmara", Family: "Fictborne", BirthDate: "1987-07-01", Sex: "female", Path: "nondirected",
		Identifier: result.Identifier{System: "urn:oid:1.2.36.146.595.217.0.1", Value: "SYN-0022"},
	})
	give(journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
	return h
}

// send gives a message to the queue, and then lets it be carried out.
func (h hospital) send(t *testing.T, raw []byte) (code string) {
	t.Helper()
	answers := h.feed.Handle(t.Context(), mllp.Peer{}, mllp.Frame{Message: raw})
	if err := h.Incoming.CarryOutWaiting(t.Context()); err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, a := range answers {
		_, msa, _ := strings.Cut(string(a), "\rMSA|")
		codes = append(codes, msa[:2])
	}
	return strings.Join(codes, " ")
}

// values lists what is on record of the candidate, by code.
func (h hospital) values(t *testing.T) []string {
	t.Helper()
	results, err := h.Store.Results(t.Context(), h.candidate)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, r := range results {
		value := ""
		if r.Value.Quantity != nil {
			value = r.Value.Quantity.Comparator + r.Value.Quantity.Value.String() + " " + r.Value.Quantity.Unit
		}
		if r.Value.Coding != nil {
			value = r.Value.Coding.Code
		}
		list = append(list, strings.TrimSpace(fmt.Sprintf("%s %s %s", r.Code.Code, r.Status, value)))
	}
	slices.Sort(list)
	return list
}

func (h hospital) states(t *testing.T) map[record.IncomingState]int {
	t.Helper()
	counts, err := h.Store.CountIncoming(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return counts
}

// TestMessagesBecomeResults goes the whole way from a frame to the record.
func TestMessagesBecomeResults(t *testing.T) {
	h := openHospital(t, nil)
	entries := func() int {
		list, err := h.Store.Entries(t.Context(), h.candidate)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	want := []string{
		"1558-6 final 92 mg/dL", "2160-0 final 0.90 mg/dL", "4548-4 final 5.40 %", "5196-1 final 260385009", "56888-1 final 260385009",
		"85354-9 final", "85354-9 final", "882-1 final 278149003", "9318-7 final <5 mg/g{creat}",
	}
	if code := h.send(t, messages.Message("results")); code != "AA" {
		t.Fatal(code)
	}
	if is := h.values(t); !slices.Equal(is, want) {
		t.Fatalf("on record: %q, want %q", is, want)
	}
	// The same again, and the same results under another control id.
	before := entries()
	if code := h.send(t, messages.Message("results")); code != "AA" {
		t.Errorf("again: %s", code)
	}
	if code := h.send(t, bytes.Replace(messages.Message("results"), []byte("EX-0001"), []byte("EX-1001"), 1)); code != "AA" {
		t.Errorf("again under another control id: %s", code)
	}
	if is := h.values(t); !slices.Equal(is, want) {
		t.Errorf("after repetitions: %q", is)
	}
	if entries() > before+1 {
		t.Errorf("%d entries from repetitions", entries()-before)
	}
	// One result on its way; its correction overtakes the final report.
	molar := func() string {
		for _, v := range h.values(t) {
			if strings.HasPrefix(v, "14682-9") {
				return v
			}
		}
		return ""
	}
	for _, step := range []struct{ message, want string }{
		{"preliminary", "14682-9 preliminary 81 umol/L"}, {"corrected", "14682-9 corrected 88 umol/L"},
		{"final", "14682-9 corrected 88 umol/L"}, {"preliminary", "14682-9 corrected 88 umol/L"}, {"wrong-patient", "14682-9 entered-in-error"},
	} {
		if code := h.send(t, messages.Message(step.message)); code != "AA" {
			t.Errorf("%s: %s", step.message, code)
		}
		if is := molar(); is != step.want {
			t.Errorf("after %s: %q, want %q", step.message, is, step.want)
		}
	}
	// What waits for a person is acknowledged, and nothing of it is on record.
	stands := h.values(t)
	held := h.states(t)[record.IncomingHeld]
	for i, raw := range [][]byte{
		messages.Message("unmapped"), messages.Message("documents"),
		bytes.ReplaceAll(bytes.Replace(messages.Message("old"), []byte("EX-0006"), []byte("EX-2001"), 1), []byte("SYN-0022"), []byte("SYN-9999")),
		bytes.ReplaceAll(bytes.Replace(messages.Message("old"), []byte("EX-0006"), []byte("EX-2002"), 1), []byte("FICTBORNE"), []byte("OTHERWISE")),
		bytes.ReplaceAll(bytes.Replace(messages.Message("old"), []byte("EX-0006"), []byte("EX-2003"), 1), []byte("19870701"), []byte("19870702")),
	} {
		if code := h.send(t, raw); code != "AA" {
			t.Errorf("held message %d: %s", i, code)
		}
		if is := h.states(t)[record.IncomingHeld]; is != held+i+1 {
			t.Errorf("held message %d: %d are held", i, is-held)
		}
	}
	// What is wrong is told to the sender, and kept.
	refused := h.states(t)[record.IncomingRefused]
	for i, each := range []struct {
		raw  []byte
		want string
	}{
		{bytes.Replace(messages.Message("old"), []byte("|NM|"), []byte("|QQ|"), 1), "AE"},
		{bytes.Replace(messages.Message("old"), []byte("EX-0006|P|2.3"), []byte("EX-2004|P|1.0"), 1), "AR"},
		{bytes.Replace(messages.Message("old"), []byte("EXAMPLE-LIS"), []byte("SOMEBODY"), 1), "AR"},
		{[]byte("no message"), "AR"},
	} {
		if code := h.send(t, each.raw); code != each.want {
			t.Errorf("wrong message %d: %s, want %s", i, code, each.want)
		}
		if is := h.states(t)[record.IncomingRefused]; is != refused+i+1 {
			t.Errorf("wrong message %d: %d are kept as refused", i, is-refused)
		}
	}
	if is := h.values(t); !slices.Equal(is, stands) {
		t.Errorf("on record is now %q", is)
	}
	// An order that is only registered is nothing to be recorded, and nobody's work.
	applied := h.states(t)[record.IncomingApplied]
	held = h.states(t)[record.IncomingHeld]
	registered := messages.Changed("20240112115500||LAB|F\n"+messages.Potassium, "20240112115500||LAB|I")
	if code := h.send(t, registered); code != "AA" || h.states(t)[record.IncomingHeld] != held || h.states(t)[record.IncomingApplied] != applied+1 {
		t.Errorf("an order that is registered: %s, %v", code, h.states(t))
	}
	// What was refused may come corrected under its control id.
	if code := h.send(t, messages.Message("old")); code != "AA" || h.states(t)[record.IncomingApplied] != applied+2 {
		t.Errorf("corrected after AE: %s, %v", code, h.states(t))
	}
	// Of two people the one who is known gets the result; enhanced mode is
	// answered twice.
	if code := h.send(t, messages.Message("two-people")); code != "CA AA" {
		t.Errorf("two people: %s", code)
	}
	if is := h.values(t); !slices.Contains(is, "2823-3 final 4.0 mmol/L") {
		t.Errorf("two people: %q", is)
	}
}

// TestFaultsAreToldToTheSender sends every faulty message through the queue: the
// acknowledgement and the place in ERR are right, the bytes are kept, and nothing
// comes on record.
func TestFaultsAreToldToTheSender(t *testing.T) {
	h := openHospital(t, nil)
	before := h.values(t)
	for i, each := range messages.Faults {
		// Every message has a control id of its own.
		id := fmt.Sprintf("C-%d", 100+i)
		raw := bytes.Replace(messages.Changed(each.Old, each.With), []byte("|C-1|"), []byte("|"+id+"|"), 1)
		answers := h.feed.Handle(t.Context(), mllp.Peer{}, mllp.Frame{Message: raw})
		if len(answers) != 1 {
			t.Errorf("%s: %d answers", each.Name, len(answers))
			continue
		}
		want, text := "AE", string(answers[0])
		if each.Rejected {
			want = "AR"
		}
		_, msa, _ := strings.Cut(text, "\rMSA|")
		place, code, short := firstError(text)
		at := each.At
		if short {
			at, _, _ = strings.Cut(at, ".")
		}
		if msa[:2] != want || code != each.Code || place != at {
			t.Errorf("%s: %s, %s at %s, want %s, %s at %s", each.Name, msa[:2], code, place, want, each.Code, at)
		}
		if is := h.states(t)[record.IncomingRefused]; is != i+1 {
			t.Fatalf("%s: %d messages are kept as refused, want %d", each.Name, is, i+1)
		}
	}
	if err := h.Incoming.CarryOutWaiting(t.Context()); err != nil {
		t.Fatal(err)
	}
	if is := h.values(t); !slices.Equal(is, before) {
		t.Errorf("on record is now %q", is)
	}
	kept, err := h.Store.Incomings(t.Context(), 1000, record.IncomingRefused)
	if err != nil {
		t.Fatal(err)
	}
	for i, each := range messages.Faults {
		raw := bytes.Replace(messages.Changed(each.Old, each.With), []byte("|C-1|"), fmt.Appendf(nil, "|C-%d|", 100+i), 1)
		if !slices.ContainsFunc(kept, func(m record.Incoming) bool { return bytes.Equal(m.Raw, raw) }) {
			t.Errorf("%s: its bytes are not kept", each.Name)
		}
	}
}

// firstError is what the first ERR segment says: ERR-2 with ERR-3 from version
// 2.5 on, before that ERR-1, whose place is short of components.
func firstError(ack string) (at, code string, short bool) {
	_, segment, found := strings.Cut(ack, "\rERR|")
	if !found {
		return "", "", false
	}
	fields := strings.Split(strings.SplitN(segment, "\r", 2)[0], "|")
	place := append(strings.Split(fields[0], "^"), "", "", "", "")
	if short = fields[0] != ""; short {
		code, _, _ = strings.Cut(place[3], "&")
		place = append(place[:3], "", "", "")
	} else {
		place = append(strings.Split(fields[1], "^"), "", "", "", "", "")
		code, _, _ = strings.Cut(fields[2], "^")
	}
	number := func(text string) int {
		n, _ := strconv.Atoi(text)
		return n
	}
	return hl7.Location{
		Segment: place[0], Sequence: number(place[1]), Field: number(place[2]), Repetition: number(place[3]),
		Component: number(place[4]), Subcomponent: number(place[5]),
	}.String(), code, short
}

// TestMergedNumbersFindTheSamePerson: after ADT^A40 results under the new number
// go to the candidate who was referred under the old one.
func TestMergedNumbersFindTheSamePerson(t *testing.T) {
	p, err := protocol.Parse([]byte(strings.Replace(protocol.Default().Source(), "      facility: EXAMPLE-LAB\n", "      facility: EXAMPLE-LAB\n      merges: true\n", 1)))
	if err != nil {
		t.Fatal(err)
	}
	h := openHospital(t, p)
	renumbered := func(id string) []byte {
		return []byte(strings.NewReplacer("SYN-0022", "SYN-7722", "EX-0003", id).Replace(string(messages.Message("final"))))
	}
	if code := h.send(t, renumbered("EX-3001")); code != "AA" || len(h.values(t)) != 0 {
		t.Errorf("before: %s, %q", code, h.values(t))
	}
	held := h.states(t)[record.IncomingHeld]
	// Of somebody with another date of birth it waits for a person.
	other := strings.NewReplacer("19870701", "19870702", "EX-0010", "EX-3002", "SYN-7722", "SYN-8822").Replace(string(messages.Message("merged")))
	if code := h.send(t, []byte(other)); code != "AA" || h.states(t)[record.IncomingHeld] != held+1 {
		t.Errorf("another date of birth: %s, %v", code, h.states(t))
	}
	// Of people who are no candidates there is nothing to do.
	stranger := strings.NewReplacer("SYN-0022", "SYN-9001", "SYN-7722", "SYN-9002", "EX-0010", "EX-3003").Replace(string(messages.Message("merged")))
	if code := h.send(t, []byte(stranger)); code != "AA" || h.states(t)[record.IncomingHeld] != held+1 {
		t.Errorf("a stranger: %s, %v", code, h.states(t))
	}
	if code := h.send(t, messages.Message("merged")); code != "AA" {
		t.Error(code)
	}
	further, err := h.Store.FurtherIdentifiers(t.Context(), h.candidate)
	if err != nil || len(further) != 1 || further[0].Identifier.Value != "SYN-7722" {
		t.Errorf("further numbers: %+v, %v", further, err)
	}
	if code := h.send(t, renumbered("EX-3004")); code != "AA" {
		t.Error(code)
	}
	if is := h.values(t); !slices.Equal(is, []string{"14682-9 final 80 umol/L"}) {
		t.Errorf("after: %q", is)
	}
}

// Many senders at once, each with results of its own, lose nothing.
func TestManyLaboratoriesAtOnce(t *testing.T) {
	h := openHospital(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	flags := mllpFlags{address: "127.0.0.1:0"}
	s, err := flags.server(slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	stop := takeMessages(ctx, io.Discard, h.System, s, listener)
	var senders sync.WaitGroup
	const each = 10
	for sender := range 5 {
		senders.Go(func() {
			l, err := connect(listener.Addr().String(), nil)
			if err != nil {
				t.Error(err)
				return
			}
			defer l.conn.Close()
			for n := range each {
				id := fmt.Sprintf("S%d-%d", sender, n)
				raw := []byte(strings.NewReplacer("EX-0003", id, "F-200", "F-"+id, "P-200", "P-"+id).Replace(string(messages.Message("final"))))
				if code, control, err := l.send(raw); err != nil || code != "AA" || control != id {
					t.Errorf("%s: %s for %s, %v", id, code, control, err)
				}
			}
		})
	}
	senders.Wait()
	cancel()
	if err := stop(); err != nil {
		t.Error(err)
	}
	if err := h.Incoming.CarryOutWaiting(t.Context()); err != nil {
		t.Fatal(err)
	}
	if is := len(h.values(t)); is != 5*each {
		t.Errorf("%d results, want %d", is, 5*each)
	}
}

// BenchmarkAcknowledge is one sender on one connection: a message is not sent
// before the one before it is on disk and acknowledged.
func BenchmarkAcknowledge(b *testing.B) {
	h := openHospital(b, nil)
	raw := messages.Message("results")
	n := 0
	for b.Loop() {
		n++
		message := bytes.Replace(raw, []byte("EX-0001"), fmt.Appendf(nil, "B-%d", n), 1)
		answers := h.feed.Handle(b.Context(), mllp.Peer{}, mllp.Frame{Message: message})
		if !bytes.Contains(answers[0], []byte("MSA|AA")) {
			b.Fatalf("%q", answers[0])
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "messages/s")
}

// TestWhereMessagesAreTaken: an address that others reach needs certificates.
func TestWhereMessagesAreTaken(t *testing.T) {
	dir := t.TempDir()
	certificate, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writeCertificate(t, certificate, key)
	for _, each := range []struct {
		name  string
		flags mllpFlags
		err   string
		// mutual says that senders need certificates, tls that TLS is spoken.
		tls, mutual bool
	}{
		{"loopback", mllpFlags{address: "127.0.0.1:2575"}, "", false, false},
		{"loopback by name", mllpFlags{address: "localhost:2575"}, "", false, false},
		{"loopback of IPv6", mllpFlags{address: "[::1]:2575"}, "", false, false},
		{"every address", mllpFlags{address: ":2575"}, "--mllp:", false, false},
		{"an address", mllpFlags{address: "192.0.2.1:2575"}, "--mllp:", false, false},
		{"an address, insecure", mllpFlags{address: "192.0.2.1:2575", insecure: true}, "", false, false},
		{"TLS without senders' certificates", mllpFlags{address: ":2575", certificate: certificate, key: key}, "--mllp:", false, false},
		{"TLS on loopback", mllpFlags{address: "127.0.0.1:2575", certificate: certificate, key: key}, "", true, false},
		{"TLS with senders' certificates", mllpFlags{address: ":2575", certificate: certificate, key: key, clients: certificate}, "", true, true},
		{"a certificate without key", mllpFlags{address: "127.0.0.1:2575", certificate: certificate}, "--mllp-tls-cert", false, false},
		{"authorities without a certificate", mllpFlags{address: "127.0.0.1:2575", clients: certificate}, "--mllp-client-ca", false, false},
		{"a certificate that is none", mllpFlags{address: "127.0.0.1:2575", certificate: key, key: key}, "--mllp-tls-cert", false, false},
		{"authorities that are none", mllpFlags{address: "127.0.0.1:2575", certificate: certificate, key: key, clients: key}, "--mllp-client-ca", false, false},
		{"no such authorities", mllpFlags{address: "127.0.0.1:2575", certificate: certificate, key: key, clients: dir + "/none"}, "--mllp-client-ca", false, false},
		{"flags without an address", mllpFlags{insecure: true}, "--mllp:", false, false},
	} {
		s, err := each.flags.server(slog.New(slog.DiscardHandler))
		if each.err != "" {
			if err == nil || !strings.HasPrefix(err.Error(), each.err) {
				t.Errorf("%s: %v, want an error of %s", each.name, err, each.err)
			}
			continue
		}
		if err != nil || (s.TLS != nil) != each.tls || each.mutual != (s.TLS != nil && s.TLS.ClientAuth == tls.RequireAndVerifyClientCert) {
			t.Errorf("%s: %+v, %v", each.name, s, err)
		}
	}
	if s, err := (&mllpFlags{}).server(slog.New(slog.DiscardHandler)); s != nil || err != nil {
		t.Errorf("nothing asked for: %v, %v", s, err)
	}
}

func writeCertificate(t *testing.T, certificate, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	for path, block := range map[string]*pem.Block{certificate: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
