package web

import (
	"strings"
	"sync"
	"time"
)

// Five failed attempts on a name in a quarter of an hour are more than a
// forgetful person needs and far fewer than guessing takes. An address may be
// that of a proxy, and so of everybody, and gets more.
const (
	attemptLimit  = 5
	addressLimit  = 50
	addressPrefix = "address "
	attemptWindow = 15 * time.Minute
	// limiterKeys bounds the memory that attempts on invented usernames take.
	limiterKeys = 20_000
)

// limiter counts attempts by key, such as a username or an address.
type limiter struct {
	now  func() time.Time
	mu   sync.Mutex
	seen map[string][]time.Time
}

func newLimiter(now func() time.Time) *limiter {
	return &limiter{now: now, seen: map[string][]time.Time{}}
}

// take counts one attempt under every key, unless one of them has none left:
// then it returns how long to wait and counts nothing. Attempts are counted
// before the password is checked, so that many at once gain nothing.
func (l *limiter) take(keys ...string) (wait time.Duration, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	if len(l.seen) > limiterKeys {
		for key := range l.seen {
			l.recent(key, now)
		}
	}
	for _, key := range keys {
		limit := attemptLimit
		if strings.HasPrefix(key, addressPrefix) {
			limit = addressLimit
		}
		if recent := l.recent(key, now); len(recent) >= limit {
			wait = max(wait, recent[len(recent)-limit].Add(attemptWindow).Sub(now))
		}
	}
	if wait > 0 {
		return wait, false
	}
	for _, key := range keys {
		l.seen[key] = append(l.seen[key], now)
	}
	return 0, true
}

// release takes back the newest attempt under every key, and forgets all those
// under the first: its owner has just proved to be who they say.
func (l *limiter) release(owner string, keys ...string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, owner)
	for _, key := range keys {
		if n := len(l.seen[key]); n > 1 {
			l.seen[key] = l.seen[key][:n-1]
		} else {
			delete(l.seen, key)
		}
	}
}

// recent drops the attempts that no longer count and returns the others.
func (l *limiter) recent(key string, now time.Time) []time.Time {
	times := l.seen[key]
	for len(times) > 0 && !times[0].After(now.Add(-attemptWindow)) {
		times = times[1:]
	}
	if len(times) == 0 {
		delete(l.seen, key)
		return nil
	}
	l.seen[key] = times
	return times
}
