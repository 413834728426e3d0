package record_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func aClient(id string) record.Client {
	return record.Client{
		ID: id, Name: "Interface of the hospital", Role: record.ClientReader, Scopes: "system/*.rs", Keys: json.RawMessage(`{"keys":[]}`),
	}
}

func TestClientsAndTheirChanges(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if err := b.AddClient(ctx, aClient("one"), "os-account root", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		if err := b.AddClient(ctx, aClient("one"), "acc-1", journey.Administrator); err == nil {
			t.Error("an id was taken twice")
		}
		b.clock.advance(time.Minute)
		if err := b.AddClient(ctx, aClient("two"), "acc-1", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		change := func(id string, kind record.ClientChangeKind, change func(*record.Client) error) error {
			_, err := b.ChangeClient(ctx, id, kind, "acc-1", journey.Administrator, change)
			return err
		}
		disable := func(c *record.Client) error { c.Disabled = true; return nil }
		for range 2 { // the second time it changes nothing, and is no change
			if err := change("one", record.ClientDisabled, disable); err != nil {
				t.Fatal(err)
			}
		}
		if err := change("one", record.ClientRescoped, func(c *record.Client) error { c.Scopes = "system/Patient.rs"; return nil }); err != nil {
			t.Fatal(err)
		}
		refused := errors.New("refused")
		if err := change("one", record.ClientRekeyed, func(c *record.Client) error { c.Keys = nil; return refused }); !errors.Is(err, refused) {
			t.Errorf("got %v", err)
		}
		if err := change("three", record.ClientDisabled, disable); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a client that is none: %v", err)
		}
		one, err := b.Client(ctx, "one")
		if err != nil || !one.Disabled || one.Scopes != "system/Patient.rs" || string(one.Keys) != `{"keys":[]}` || !one.CreatedAt.Equal(b.clock.now().Add(-time.Minute)) {
			t.Errorf("%+v, %v", one, err)
		}
		if _, err := b.Client(ctx, "three"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("got %v", err)
		}
		list, err := b.Clients(ctx)
		if err != nil || len(list) != 2 || list[0].ID != "one" || list[1].ID != "two" {
			t.Errorf("%+v, %v", list, err)
		}
		changes, err := b.ClientChanges(ctx, record.ChangesQuery{Of: "one"})
		if err != nil || len(changes) != 3 {
			t.Fatalf("%+v, %v", changes, err)
		}
		slices.Reverse(changes)
		for i, want := range []record.ClientChangeKind{record.ClientRegistered, record.ClientDisabled, record.ClientRescoped} {
			if changes[i].Kind != want || changes[i].Seq != int64(i+1) || changes[i].Role != journey.Administrator {
				t.Errorf("change %d is %+v", i+1, changes[i])
			}
		}
		if changes[0].Actor != "os-account root" || changes[1].Actor != "acc-1" {
			t.Errorf("by %s and %s", changes[0].Actor, changes[1].Actor)
		}
		if v, err := b.Verify(ctx); err != nil || v.ClientChanges != 4 {
			t.Errorf("%+v, %v", v, err)
		}
	})
}

func exchange(b *bench, client, jti string) record.Exchange {
	return record.Exchange{Client: client, Assertion: jti, Until: b.clock.now().Add(5 * time.Minute), Scopes: "system/*.rs", Lifetime: 5 * time.Minute}
}

func TestAnAssertionIsGoodOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for _, id := range []string{"one", "two"} {
			if err := b.AddClient(ctx, aClient(id), "acc-1", journey.Administrator); err != nil {
				t.Fatal(err)
			}
		}
		token, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-1"))
		if err != nil {
			t.Fatal(err)
		}
		bearer, err := b.TokenBearer(ctx, token)
		if err != nil || bearer.Actor != "one" || bearer.Role != journey.EHR || bearer.Scopes != "system/*.rs" || !bearer.Expires.Equal(b.clock.now().Add(5*time.Minute)) || !strings.HasPrefix(bearer.Token, "token-") {
			t.Errorf("the token is of %+v, %v", bearer, err)
		}
		// Another process of the same programme, and the same one after a restart.
		other := open(t, b.location, b.clock)
		for _, s := range []*record.Store{b.Store, other} {
			if _, err := s.ExchangeAssertion(ctx, exchange(b, "one", "jti-1")); !errors.Is(err, record.ErrReplayed) {
				t.Errorf("a replay: %v", err)
			}
		}
		if _, err := other.ExchangeAssertion(ctx, exchange(b, "two", "jti-1")); err != nil {
			t.Errorf("the same name from another client: %v", err)
		}
		// One that asked for nothing it may have is used up as well.
		none := exchange(b, "one", "jti-2")
		none.Scopes = ""
		if _, err := b.ExchangeAssertion(ctx, none); err != nil {
			t.Fatal(err)
		}
		if _, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-2")); !errors.Is(err, record.ErrReplayed) {
			t.Errorf("a replay of what got nothing: %v", err)
		}
		if n := tokens(t, b); n != 2 {
			t.Errorf("%d tokens were issued", n)
		}
		// Remembered until it is refused for its age, with room for a clock that is
		// set back; then forgotten, with the tokens.
		b.clock.advance(65 * time.Minute)
		if _, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-3")); err != nil {
			t.Fatal(err)
		}
		if n := tokens(t, b); n != 1 {
			t.Errorf("%d tokens are kept", n)
		}
	})
}

func tokens(t *testing.T, b *bench) (n int) {
	t.Helper()
	if err := b.raw(t).QueryRowContext(t.Context(), "SELECT COUNT(*) FROM token").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAnAssertionIsGoodOnceAmongMany(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		if err := b.AddClient(t.Context(), aClient("one"), "acc-1", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		stores := []*record.Store{b.Store, open(t, b.location, b.clock)}
		var issued atomic.Int64
		var group sync.WaitGroup
		for i := range 40 {
			group.Go(func() {
				_, err := stores[i%2].ExchangeAssertion(t.Context(), exchange(b, "one", fmt.Sprint("jti-", i/8)))
				switch {
				case err == nil:
					issued.Add(1)
				case !errors.Is(err, record.ErrReplayed):
					t.Error(err)
				}
			})
		}
		group.Wait()
		if issued.Load() != 5 {
			t.Errorf("%d tokens for 5 assertions", issued.Load())
		}
	})
}

func TestADisabledClientIsOut(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if _, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-0")); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a client that is none: %v", err)
		}
		if err := b.AddClient(ctx, aClient("one"), "acc-1", journey.Administrator); err != nil {
			t.Fatal(err)
		}
		token, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-1"))
		if err != nil {
			t.Fatal(err)
		}
		set := func(disabled bool) {
			t.Helper()
			if _, err := b.ChangeClient(ctx, "one", record.ClientDisabled, "acc-1", journey.Administrator, func(c *record.Client) error { c.Disabled = disabled; return nil }); err != nil {
				t.Fatal(err)
			}
		}
		set(true)
		if _, err := b.TokenBearer(ctx, token); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("its token: %v", err)
		}
		if _, err := b.ExchangeAssertion(ctx, exchange(b, "one", "jti-2")); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("its assertion: %v", err)
		}
		set(false)
		if _, err := b.TokenBearer(ctx, token); err != nil {
			t.Errorf("enabled again: %v", err)
		}
		if list, err := b.Tokens(ctx); err != nil || len(list) != 0 {
			t.Errorf("tokens of clients are among those issued by hand: %v, %v", list, err)
		}
	})
}
