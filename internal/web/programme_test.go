package web

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// stillWorld is the pages on a record store alone, without an engine: nobody gives a
// command there.
func stillWorld(t *testing.T, p *protocol.Protocol, at time.Time) *world {
	t.Helper()
	w := &world{t: t, clock: &clock{at: at}, protocol: p, log: &strings.Builder{}}
	var err error
	w.store, err = record.Open(context.Background(), filepath.Join(t.TempDir(), "records.db"), w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	must(t, w.store.KeepProtocol(context.Background(), p.Version, p.Digest(), p.Source()))
	for _, a := range staff {
		_, err := w.store.AddAccount(context.Background(), a.id, a.id, a.name, a.role, password)
		must(t, err)
	}
	e := echo.New()
	must(t, Register(e, Deps{Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, p), Current: p, Now: w.clock.now, Demo: true}))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w
}

// invented writes the lives of people, made by chance, straight into a store: what the
// process made of their commands, not whether it would have taken them.
type invented struct {
	t     testing.TB
	store *record.Store
	rules *protocol.Protocol
	dice  *rand.Rand
	today journey.Date
	n     int
}

func invent(t testing.TB, store *record.Store, p *protocol.Protocol, today journey.Date) *invented {
	return &invented{t: t, store: store, rules: p, dice: rand.New(rand.NewPCG(7, 2026)), today: today}
}

func (v *invented) between(low, high int) int { return low + v.dice.IntN(high-low+1) }

// person is one of them, up to the day of the world.
func (v *invented) person(referred journey.Date) string {
	v.t.Helper()
	v.n++
	id := fmt.Sprintf("%08x-0000-4000-8000-000000000000", v.n)
	var state journey.State
	var earlier []journey.Event
	day := referred
	over := false
	add := func(kind journey.Kind, days int, change func(*journey.Event)) bool {
		if next := day.AddDays(days); over || v.today.Before(next) {
			over = true
			return false
		} else {
			day = next
		}
		e := journey.Event{Seq: state.Seq + 1}
		e.Kind, e.ID, e.Candidate, e.Actor, e.Role, e.Today = kind, fmt.Sprint("c", e.Seq), id, "cora", journey.Coordinator, day
		e.At = day.Start(v.rules.Zone()).Add(10 * time.Hour)
		if change != nil {
			change(&e)
		}
		if kind == journey.RecordOperation {
			e.Clocks = journey.Clocks(v.rules.Rules(), state, e.Command, v.rules.Zone())
		}
		state = journey.Apply(v.rules.Rules(), state, e)
		earlier = append(earlier, e)
		return true
	}
	flush := func(body string, results []result.Result) {
		v.t.Helper()
		if len(earlier) == 0 {
			return
		}
		draft := record.Draft{Earlier: earlier[:len(earlier)-1], Event: earlier[len(earlier)-1], State: state, Body: json.RawMessage(body), Results: results}
		draft.Next = journey.NextDue(v.rules.Rules(), state, v.rules.Zone())
		if draft.Event.Kind == journey.Refer {
			draft.Refer = &record.Referral{Protocol: v.rules.Version, Path: "direct", Recipient: fmt.Sprint("R-", v.n), On: referred, Identity: record.Identity{
				Given: fmt.Sprint("Given", v.n%97), Family: fmt.Sprint("Family", v.n), BirthDate: "1980-01-01", Sex: "female",
				Identifier: result.Identifier{System: "urn:synthetic", Value: fmt.Sprint("SYN-", v.n)},
			}}
		}
		_, err := v.store.Append(context.Background(), id, draft.Event.ID, func(*record.Tx) (record.Draft, error) { return draft, nil })
		if err != nil {
			v.t.Fatal(err)
		}
		earlier = nil
	}
	outcome := func(o journey.Outcome) func(*journey.Event) { return func(e *journey.Event) { e.Outcome = o } }
	add(journey.Refer, 0, nil)
	flush("{}", nil)
	v.live(add, outcome)
	if state.Outcome != "" {
		// The operation is written by itself, with its body.
		at := len(earlier)
		for i, e := range earlier {
			if e.Kind == journey.RecordOperation {
				at = i + 1
			}
		}
		rest := earlier[at:]
		earlier = earlier[:at]
		flush(fmt.Sprintf(`{"outcome":%q,"side":"left"}`, state.Outcome), v.answers(id, state))
		earlier = rest
	}
	flush("{}", nil)
	return id
}

// live goes through the steps, until the day of the world or an end.
func (v *invented) live(add func(journey.Kind, int, func(*journey.Event)) bool, outcome func(journey.Outcome) func(*journey.Event)) {
	chance := func(percent int) bool { return v.dice.IntN(100) < percent }
	stop := func(withdraw, decline int, role journey.Role) bool {
		switch n := v.dice.IntN(100); {
		case n < withdraw:
			add(journey.Withdraw, v.between(1, 20), nil)
		case n < withdraw+decline:
			add(journey.Decline, v.between(1, 20), func(e *journey.Event) { e.Role = role })
		default:
			return false
		}
		return true
	}
	if stop(8, 8, journey.Coordinator) || !add(journey.BeginScreening, v.between(1, 15), nil) || stop(8, 12, journey.Clinician) {
		return
	}
	if !add(journey.BeginEvaluation, v.between(7, 40), nil) {
		return
	}
	if chance(10) && (!add(journey.Hold, v.between(5, 30), nil) || !add(journey.Resume, v.between(10, 90), nil)) {
		return
	}
	if stop(8, 6, journey.CommitteeRole) || !add(journey.PresentToCommittee, v.between(40, 160), nil) {
		return
	}
	if chance(15) {
		add(journey.RecordDecision, v.between(3, 14), outcome(journey.DeclineCandidate))
		return
	}
	if !add(journey.RecordDecision, v.between(3, 14), outcome(journey.Approve)) || stop(5, 0, "") {
		return
	}
	planned := v.between(5, 30)
	if !add(journey.Schedule, planned, func(e *journey.Event) { e.On = e.Today.AddDays(30) }) || !add(journey.BeginOperation, 30, nil) {
		return
	}
	if !add(journey.RecordOperation, 0, outcome(journey.Removed)) || !add(journey.CompleteRecovery, 45, nil) {
		return
	}
	if chance(20) { // an event that has to be reported, most often in time
		hours := 50
		if chance(30) {
			hours = 90
		}
		add(journey.ReportEvent, 30, func(e *journey.Event) {
			e.Event, e.Moment = "donor-infection", journey.InstantOf(e.At)
			e.Clocks = []journey.Clock{{Event: "donor-infection", Aware: e.Moment, Limit: e.Moment.AddHours(72)}}
		})
		add(journey.CloseReport, 4, func(e *journey.Event) {
			e.Report, e.Moment = "report-1", journey.InstantOf(e.At.Add(time.Duration(hours-96)*time.Hour))
		})
	}
}

// answers are those of the forms of visits whose window has opened, most of them whole.
func (v *invented) answers(id string, s journey.State) []result.Result {
	var list []result.Result
	for _, visit := range s.Visits {
		rule, _, ok := v.rules.VisitRule(visit.ID)
		if !ok || v.today.Before(visit.Target) || v.dice.IntN(100) < 15 {
			continue
		}
		for _, codes := range append(rule.Clinical, rule.Laboratory...) {
			list = append(list, result.Result{
				ID: fmt.Sprint(id, visit.ID, codes[0]), Version: 1, Status: result.Final, Code: result.Coding{Code: codes[0]},
				Identifier:  result.Identifier{System: "urn:synthetic", Value: fmt.Sprint(id, visit.ID, codes[0])},
				CollectedOn: string(visit.Target), Effective: string(visit.Target), Value: result.Value{Coding: &result.Coding{Code: "373066001"}},
			})
		}
	}
	return list
}
