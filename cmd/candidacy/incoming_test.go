package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
)

// creatinineOf is a transaction of one result of a person, by an invented number.
func creatinineOf(mrn, number, value string) map[string]any {
	return map[string]any{"resourceType": "Bundle", "type": "transaction", "entry": []any{map[string]any{
		"request": map[string]any{"method": "POST", "url": "Observation"},
		"resource": map[string]any{
			"resourceType": "Observation", "status": "final",
			"identifier":        []any{map[string]any{"system": "https://lab.example/result", "value": number}},
			"code":              map[string]any{"coding": []any{map[string]any{"system": "http://loinc.org", "code": "2160-0"}}},
			"subject":           map[string]any{"identifier": map[string]any{"system": "urn:oid:1.2.36.146.595.217.0.1", "value": mrn}},
			"effectiveDateTime": "2026-01-05T08:00:00+01:00", "issued": "2026-01-05T10:00:00+01:00",
			"valueQuantity": map[string]any{"value": json.Number(value), "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"},
		},
	}}}
}

// screenedOver refers somebody through a running program and screens them.
func screenedOver(t *testing.T, url string, s staff, mrn string) string {
	t.Helper()
	a := mustAsk(t, "POST", url+"/api/candidates", s.tokens[journey.Coordinator], "refer-"+mrn, map[string]any{
		"given": "Alvira", "family": "Testford", "birth_date": "1981-03-14", "sex": "female", "path": "nondirected",
		"identifier": map[string]string{"system": "urn:oid:1.2.36.146.595.217.0.1", "value": mrn},
	})
	var receipt struct{ Candidate string }
	a.decode(t, &receipt)
	path := url + "/api/candidates/" + receipt.Candidate + "/commands/begin-screening"
	if a := mustAsk(t, "POST", path, s.tokens[journey.Coordinator], "screen-"+mrn, map[string]bool{"contact_consent": true, "duplicate_checked": true}); a.status != 200 {
		t.Fatalf("screening was answered %d %s", a.status, a.body)
	}
	return receipt.Candidate
}

// TestAcknowledgedResultsSurvive kills the program with SIGKILL at random points
// while laboratories write results through FHIR. What was acknowledged is on
// record exactly once; what was only kept is taken up by the next start, and is
// on record exactly once although its laboratory sends it again.
func TestAcknowledgedResultsSurvive(t *testing.T) {
	rounds, chance := killing(t, 8, 3, 3)
	data := t.TempDir()
	s := hire(t, data)
	const laboratories = 3
	ids := make([]string, laboratories)
	next := make([]int, laboratories)
	srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
	for i := range laboratories {
		ids[i] = screenedOver(t, srv.url, s, fmt.Sprintf("K-%d", i))
	}
	send := func(url string, i int) (int, error) {
		number := fmt.Sprintf("K%d-%d", i, next[i])
		a, err := ask("POST", url+"/fhir", s.tokens[journey.Laboratory], "", creatinineOf(fmt.Sprintf("K-%d", i), number, "0.9"+strconv.Itoa(next[i]%10)))
		return a.status, err
	}
	for range rounds {
		target := int64(1 + chance.IntN(9))
		var acknowledged atomic.Int64
		kill := sync.OnceFunc(srv.kill)
		var group sync.WaitGroup
		for i := range laboratories {
			group.Go(func() {
				for {
					status, err := send(srv.url, i)
					switch {
					case err != nil || status == 503:
						return // not acknowledged: it is sent again after the restart
					case status/100 != 2:
						t.Errorf("laboratory %d: %d", i, status)
						return
					}
					next[i]++
					if acknowledged.Add(1) >= target {
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
		srv = start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
	}
	srv.kill()

	// Whatever was only kept is carried out by whoever opens the folder next.
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	defer sys.Close()
	if err := sys.Incoming.CarryOutWaiting(t.Context()); err != nil {
		t.Fatal(err)
	}
	total := 0
	for i, id := range ids {
		on := map[string]int{}
		list, err := sys.Store.Results(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			on[r.Identifier.Value]++
			if r.Version != 1 {
				t.Errorf("%s has %d versions", r.Identifier.Value, r.Version)
			}
		}
		for n := range next[i] {
			total++
			if on[fmt.Sprintf("K%d-%d", i, n)] != 1 {
				t.Errorf("K%d-%d was acknowledged and is on record %d times", i, n, on[fmt.Sprintf("K%d-%d", i, n)])
			}
		}
		entries, err := sys.Store.EntriesOf(t.Context(), id, journey.RecordResults)
		if err != nil {
			t.Fatal(err)
		}
		if len(entries) != len(list) {
			t.Errorf("%d entries for %d results", len(entries), len(list))
		}
	}
	counts, err := sys.Store.CountIncoming(t.Context())
	if err != nil || counts[incoming.Received] != 0 || counts[incoming.Held]+counts[incoming.Refused] != 0 {
		t.Errorf("the messages are %v, %v", counts, err)
	}
	t.Logf("%d results acknowledged", total)
}

// TestKeptBeforeTheKill: a message that was acknowledged and not carried out is
// taken up when the program starts.
func TestKeptBeforeTheKill(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	srv := start(t, "serve", data, "--protocol", "../../testdata/protocols/brief.yaml")
	id := screenedOver(t, srv.url, s, "K-9")
	srv.kill()
	store, err := record.Open(t.Context(), system.RecordsPath(data), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := json.Marshal(creatinineOf("K-9", "K9-1", "0.91"))
	if err != nil {
		t.Fatal(err)
	}
	// The process that had it was killed with an hour of its lease left.
	kept, _, err := store.KeepIncoming(t.Context(), record.Incoming{
		Channel: "mllp", Sender: "lab", ControlID: "1", ContentType: "application/fhir+json", Raw: raw, Actor: record.IntakeActor, Role: journey.Laboratory,
	}, time.Now().Add(time.Hour), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	defer sys.Close()
	if err := sys.Incoming.CarryOutWaiting(t.Context()); err != nil {
		t.Fatal(err)
	}
	m, err := sys.Store.Incoming(t.Context(), kept.ID)
	if err != nil || m.State != incoming.Applied {
		t.Errorf("the message is %s, %v", m.State, err)
	}
	reported, err := sys.Store.ReportedBy(t.Context(), result.Identifier{System: "https://lab.example/result", Value: "K9-1"})
	if err != nil || reported.Candidate != id {
		t.Errorf("the result is %+v, %v", reported, err)
	}
}

// TestIncomingOnTheCommandLine lists, shows, assigns and sets aside, with a server
// and without.
func TestIncomingOnTheCommandLine(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	mustRun(t, "account", "add", "--data", data, "--username", "cora", "--role", "coordinator")
	srv := start(t, "serve", data)
	candidate := screenedOver(t, srv.url, s, "K-1")
	hold := func(number string) string {
		t.Helper()
		raw, err := json.Marshal(creatinineOf("K-unknown", number, "0.9"))
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(t.TempDir(), "bundle.json")
		if err := os.WriteFile(file, raw, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err = run(t, "intake", file, "--data", data)
		if err == nil || !strings.Contains(err.Error(), "is kept for a person: ") || strings.Contains(err.Error(), "K-unknown") {
			t.Fatalf("intake said %v", err)
		}
		return strings.Fields(err.Error())[1]
	}
	for name, running := range map[string]bool{"with a server": true, "without": false} {
		first, second := hold("N-1 "+name), hold("N-2 "+name)
		if !running {
			srv.stop()
		}
		if out := mustRun(t, "incoming", "list", "--data", data); !strings.Contains(out, first+"\theld\t") || !strings.Contains(out, "no-candidate") {
			t.Errorf("%s, the list is %s", name, out)
		}
		if out := mustRun(t, "incoming", "show", first, "--data", data); !strings.Contains(out, "K-unknown") || !strings.Contains(out, "0.9") || !strings.Contains(out, "[assign]") {
			t.Errorf("%s, it is shown as %s", name, out)
		}
		if out := mustRun(t, "incoming", "show", first, "--raw", "--data", data); !strings.HasPrefix(out, `{"entry"`) {
			t.Errorf("%s, as it came: %s", name, out)
		}
		decide := []string{"--by", "cora", "--reason", "Asked the laboratory.", "--data", data}
		for _, c := range []struct {
			args []string
			want string
		}{
			{[]string{"incoming", "apply", first, "--reason", "x", "--data", data}, "--by"},
			{[]string{"incoming", "apply", first, "--by", "test-advocate", "--reason", "x", "--data", data}, "coordinator"},
			{append([]string{"incoming", "apply", first, "--candidate", candidate, "--birth-date", "1990-01-01"}, decide...), "birth_date"},
			{[]string{"incoming", "set-aside", first, "--by", "cora", "--data", data}, "reason"},
			{append([]string{"incoming", "set-aside", "m-none"}, decide...), "not found"},
			{[]string{"incoming", "list", "--state", "lost", "--data", data}, "--state"},
		} {
			if out, err := run(t, c.args...); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s, %v: %v, want %q\n%s", name, c.args, err, c.want, out)
			}
		}
		if out := mustRun(t, append([]string{"incoming", "apply", first}, decide...)...); !strings.Contains(out, "held") {
			t.Errorf("%s, applied again as %s", name, out)
		}
		if out := mustRun(t, append([]string{"incoming", "apply", first, "--candidate", candidate, "--birth-date", "1981-03-14"}, decide...)...); !strings.Contains(out, "applied") {
			t.Errorf("%s, assigned as %s", name, out)
		}
		if out := mustRun(t, append([]string{"incoming", "set-aside", second}, decide...)...); !strings.Contains(out, "settled") {
			t.Errorf("%s, set aside as %s", name, out)
		}
	}
	mustRun(t, "incoming", "number", "--by", "cora", "--candidate", candidate, "--system", "urn:oid:1.2.36.146.595.217.0.1", "--value", "K-unknown", "--kind", "merged", "--reason", "Merged.", "--data", data)
	raw, err := json.Marshal(creatinineOf("K-unknown", "N-3", "0.93"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "bundle.json")
	if err := os.WriteFile(file, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "intake", file, "--data", data); !strings.Contains(out, "candidate "+candidate+": results recorded as entry") {
		t.Errorf("the number does not find the candidate: %s", out)
	}
}
