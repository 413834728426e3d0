package record_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// about is a query for resources of a type with the code.
func about(typ, code string) record.Query {
	return record.Query{Type: typ, Conditions: []record.Condition{{Param: "code", Any: []record.Match{{Op: "=", Value: code, System: "s"}}}}}
}

func (b *bench) subscribe(t *testing.T, client string, q record.Query) record.Subscription {
	t.Helper()
	sub, err := b.AddSubscription(t.Context(), record.Subscription{
		Client: client, Status: record.SubscriptionRequested, Criteria: q.Type, Query: q, Base: "https://x/fhir", Granted: map[string][]string{"r": {"code=s"}},
		Reason: "to know", Contact: []byte("[]"), Endpoint: "https://ehr.example/hook", Headers: []string{"Authorization: Bearer secret"},
	}, 10)
	if err != nil {
		t.Fatal(err)
	}
	return sub
}

func (b *bench) status(t *testing.T, id string) record.Subscription {
	t.Helper()
	sub, err := b.Subscription(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return sub
}

// events are those of a subscription, the oldest first.
func (b *bench) events(t *testing.T, id string) []record.SubscriptionEvent {
	t.Helper()
	list, err := b.SubscriptionEvents(t.Context(), id, 100)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(list)
	return list
}

func TestEventsAreWrittenWithWhatIsPublished(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.mustGive(t, "cand-a", "refer", journey.Refer, published("cand-a", "red", "Observation"))
		red, blue := b.subscribe(t, "ehr", about("Observation", "red")), b.subscribe(t, "ehr", about("Observation", "blue"))
		any := b.subscribe(t, "ehr", record.Query{Type: "Observation"})
		other, ended, off := b.subscribe(t, "ehr", record.Query{Type: "Patient"}), b.subscribe(t, "ehr", record.Query{Type: "Observation"}), b.subscribe(t, "ehr", record.Query{Type: "Observation"})
		for id, change := range map[string]func(*record.Subscription){
			ended.ID: func(s *record.Subscription) { s.EndsAt = b.clock.now() },
			off.ID:   func(s *record.Subscription) { s.Status = record.SubscriptionOff },
		} {
			if _, err := b.ChangeSubscription(t.Context(), id, func(s *record.Subscription) error { change(s); return nil }); err != nil {
				t.Fatal(err)
			}
		}
		count := func(sub record.Subscription) string {
			var list []int
			for _, e := range b.events(t, sub.ID) {
				if e.State != record.EventQueued || e.Attempts != 0 || e.ID == "" {
					t.Errorf("%+v", e)
				}
				list = append(list, e.Resources)
			}
			return fmt.Sprint(list)
		}
		give := func(candidate, command string, kind journey.Kind, change func(*record.Draft)) {
			t.Helper()
			b.clock.advance(time.Second)
			b.mustGive(t, candidate, command, kind, change)
		}
		give("cand-a", "same", journey.RecordResults, published("cand-a", "red", "Observation"))
		give("cand-a", "changed", journey.RecordResults, published("cand-a", "blue", "Observation"))
		give("cand-b", "refer", journey.Refer, func(d *record.Draft) {
			published("b-1", "red", "Observation", "Encounter")(d)
			published("b-2", "red", "Observation")(d)
			published("b-3", "blue", "Observation")(d)
		})
		give("cand-b", "nothing", journey.RecordResults, nil)
		if err := b.PublishProgramme(t.Context(), []record.Resource{{Type: "Patient", ID: "p", Body: []byte(`{"resourceType":"Patient","id":"p"}`)}}); err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string]struct {
			sub  record.Subscription
			want string
		}{"red": {red, "[2]"}, "blue": {blue, "[1 1]"}, "any": {any, "[1 3]"}, "other": {other, "[1]"}, "ended": {ended, "[]"}, "off": {off, "[]"}} {
			if got := count(c.sub); got != c.want {
				t.Errorf("%s: %s, want %s", name, got, c.want)
			}
		}
		// With the entry, or not at all.
		broken := func(d *record.Draft) {
			published("b-4", "red", "Observation")(d)
			d.Event.Seq = 1 // taken
		}
		if _, err := b.give("cand-b", "broken", journey.RecordResults, broken); err == nil {
			t.Fatal("an entry was written twice")
		}
		if got := count(red); got != "[2]" {
			t.Errorf("the entry is not there and its event is: %s", got)
		}
	})
}

func TestSubscriptionsAreClaimedAndSettled(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		sub := b.subscribe(t, "ehr", record.Query{Type: "Observation"})
		if got := b.status(t, sub.ID); !reflect.DeepEqual(got, sub) || got.Headers[0] != "Authorization: Bearer secret" || got.Version != 1 {
			t.Errorf("%+v\n%+v", got, sub)
		}
		claim := func(name string, events int) record.Subscription {
			t.Helper()
			got, n, err := b.ClaimSubscription(ctx, name, b.clock.now().Add(time.Minute))
			if err != nil || got.ID != sub.ID || n != events || got.Claim != name {
				t.Fatalf("%+v %d %v", got, n, err)
			}
			return got
		}
		none := func() {
			t.Helper()
			if got, _, err := b.ClaimSubscription(ctx, "none", b.clock.now().Add(time.Minute)); !errors.Is(err, record.ErrNotFound) {
				t.Fatalf("%+v %v", got, err)
			}
		}
		settle := func(s record.Subscription, status record.SubscriptionStatus, class string, due time.Time) {
			t.Helper()
			if err := b.SettleSubscription(ctx, s, status, class, due); err != nil {
				t.Fatal(err)
			}
		}
		first := claim("one", 0)
		none()
		settle(first, record.SubscriptionActive, "", b.clock.now())
		if got := b.status(t, sub.ID); got.Status != record.SubscriptionActive || got.Version != 2 || got.Failures != 0 || !got.ReachedAt.Equal(b.clock.now()) {
			t.Errorf("%+v", got)
		}
		none()
		b.mustGive(t, "cand-a", "refer", journey.Refer, published("a", "red", "Observation"))
		b.clock.advance(time.Second)
		b.mustGive(t, "cand-a", "again", journey.RecordResults, published("a", "blue", "Observation"))
		second := claim("two", 2)
		b.clock.advance(time.Second)
		b.mustGive(t, "cand-a", "later", journey.RecordResults, published("a", "green", "Observation"))
		// The first two fail, and wait on with the third until they are due.
		settle(second, record.SubscriptionError, "timeout", b.clock.now().Add(time.Minute))
		none()
		if got := b.status(t, sub.ID); got.Status != record.SubscriptionError || got.Error != "timeout" || got.Failures != 1 || got.Version != 3 {
			t.Errorf("%+v", got)
		}
		states := func() string {
			text := ""
			for _, e := range b.events(t, sub.ID) {
				text += fmt.Sprintf("%s/%d/%s/%t ", e.State, e.Attempts, e.Error, e.SettledAt.IsZero())
			}
			return text
		}
		if got := states(); got != "queued/1/timeout/true queued/1/timeout/true queued/0//true " {
			t.Error(got)
		}
		b.clock.advance(time.Minute)
		third := claim("three", 3)
		// A process that dies leaves them to the next.
		b.clock.advance(time.Minute)
		fourth := claim("four", 3)
		settle(third, record.SubscriptionActive, "", b.clock.now())
		if got := b.status(t, sub.ID); got.Status != record.SubscriptionError {
			t.Errorf("whoever had lost the claim settled it: %+v", got)
		}
		settle(fourth, record.SubscriptionActive, "", b.clock.now())
		if got := states(); got != "sent/2//false sent/2//false sent/1//false " {
			t.Error(got)
		}
		none()

		// What its client changes meanwhile stays.
		b.clock.advance(time.Second)
		b.mustGive(t, "cand-a", "more", journey.RecordResults, published("a", "grey", "Observation"))
		fifth := claim("five", 1)
		if _, err := b.ChangeSubscription(ctx, sub.ID, func(s *record.Subscription) error {
			s.Status = record.SubscriptionOff
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		settle(fifth, record.SubscriptionError, "timeout", b.clock.now())
		if got := b.status(t, sub.ID); got.Status != record.SubscriptionOff {
			t.Errorf("%+v", got)
		}
		if list := b.events(t, sub.ID); list[3].State != record.EventDropped || list[3].Error != "off" {
			t.Errorf("%+v", list[3])
		}
		// One that fails for good takes what waits along.
		if _, err := b.ChangeSubscription(ctx, sub.ID, func(s *record.Subscription) error {
			s.Status, s.Failures, s.DueAt = record.SubscriptionRequested, 0, b.clock.now()
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		b.clock.advance(time.Second)
		b.mustGive(t, "cand-a", "last", journey.RecordResults, published("a", "black", "Observation"))
		settle(claim("six", 1), record.SubscriptionOff, "status-410", b.clock.now())
		if list := b.events(t, sub.ID); list[4].State != record.EventDropped || list[4].Error != "status-410" {
			t.Errorf("%+v", list[4])
		}
		none()
		// Released claims are for anybody.
		if _, err := b.ChangeSubscription(ctx, sub.ID, func(s *record.Subscription) error { s.Status = record.SubscriptionRequested; return nil }); err != nil {
			t.Fatal(err)
		}
		claim("seven", 0)
		none()
		if err := b.ReleaseSubscription(ctx, "seven"); err != nil {
			t.Fatal(err)
		}
		claim("eight", 0)
		if err := b.ReleaseSubscriptions(ctx); err != nil {
			t.Fatal(err)
		}
		settle(claim("nine", 0), record.SubscriptionActive, "", b.clock.now())
		b.clock.advance(time.Hour)
		if err := b.ForgetSubscriptionEvents(ctx, b.clock.now()); err != nil || len(b.events(t, sub.ID)) != 0 {
			t.Error(err, b.events(t, sub.ID))
		}

		// A deleted one is there for nobody.
		if _, err := b.ChangeSubscription(ctx, sub.ID, func(s *record.Subscription) error { s.Status = record.SubscriptionGone; return nil }); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Subscription(ctx, sub.ID); !errors.Is(err, record.ErrDeleted) {
			t.Error(err)
		}
		if _, err := b.Subscription(ctx, "none"); !errors.Is(err, record.ErrNotFound) {
			t.Error(err)
		}
		if list, err := b.Subscriptions(ctx, ""); err != nil || len(list) != 0 {
			t.Error(list, err)
		}
		for i := range 11 {
			_, err := b.AddSubscription(ctx, record.Subscription{Client: "many", Status: record.SubscriptionOff, Query: record.Query{Type: "Patient"}, Contact: []byte("[]")}, 10)
			if want := i == 10; errors.Is(err, record.ErrTooMany) != want {
				t.Errorf("%d: %v", i, err)
			}
		}
		if list, err := b.Subscriptions(ctx, "many"); err != nil || len(list) != 10 {
			t.Error(len(list), err)
		}
		if list, err := b.Subscriptions(ctx, "ehr"); err != nil || len(list) != 0 {
			t.Error(list, err)
		}
	})
}

// TestNothingIsMissedOnceSubscribed: of what commits after a subscription is there,
// everything is told, also where its transaction had begun before.
func TestNothingIsMissedOnceSubscribed(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		const writers, rounds = 4, 20
		for w := range writers {
			b.refer(t, fmt.Sprintf("cand-%d", w), 1)
		}
		var group sync.WaitGroup
		for w := range writers {
			group.Go(func() {
				for i := range rounds {
					candidate := fmt.Sprintf("cand-%d", w)
					if _, err := b.give(candidate, fmt.Sprintf("c-%d", i), journey.RecordResults, published(fmt.Sprintf("%s-%d", candidate, i), "x", "Observation")); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		count := func() int {
			n, err := b.Count(t.Context(), record.Query{Type: "Observation"})
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		// What is there when a client looks, after it has subscribed, and what it is
		// told of from then on, is everything.
		type looked struct {
			sub   record.Subscription
			there int
		}
		var looks []looked
		for range 10 {
			sub := b.subscribe(t, "ehr", record.Query{Type: "Observation"})
			looks = append(looks, looked{sub, count()})
		}
		group.Wait()
		all := count()
		for _, l := range looks {
			told := 0
			for _, e := range b.events(t, l.sub.ID) {
				told += e.Resources
			}
			if l.there+told < all {
				t.Errorf("%d were there and %d told, of %d", l.there, told, all)
			}
		}
	})
}

func TestActorBearer(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if err := b.AddClient(ctx, record.Client{ID: "app", Role: record.ClientReader, Scopes: "system/Patient.rs", CreatedAt: b.clock.now()}, "admin", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		if got, err := b.ActorBearer(ctx, "app"); err != nil || got.Role != journey.EHR || got.Scopes != "system/Patient.rs" {
			t.Errorf("%+v %v", got, err)
		}
		if _, err := b.ChangeClient(ctx, "app", record.ClientDisabled, "admin", journey.Administrator, func(c *record.Client) error {
			c.Disabled = true
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if _, err := b.ActorBearer(ctx, "app"); !errors.Is(err, record.ErrNotFound) {
			t.Error(err)
		}
		token, err := b.IssueScopedToken(ctx, journey.EHR, "", "system/Patient.r", time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		bearer, err := b.TokenBearer(ctx, token)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := b.ActorBearer(ctx, bearer.Actor); err != nil || got.Role != journey.EHR || got.Scopes != "system/Patient.r" {
			t.Errorf("%+v %v", got, err)
		}
		b.clock.advance(time.Hour)
		for _, actor := range []string{bearer.Actor, "nobody", ""} {
			if got, err := b.ActorBearer(ctx, actor); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s: %+v %v", actor, got, err)
			}
		}
	})
}
