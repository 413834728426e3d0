// Package subscription tells clients that something was published which they
// subscribed to: an empty request to their endpoint, by which they know that it is
// time to search again. Nothing of what was published is in it.
//
// What has to be told waits in the record store, written in the transaction that
// published it, and any number of processes may send it: a lease in the database
// keeps each subscription with one of them at a time. A request is sent at least
// once: a process that dies between the answer and its note of it sends it again.
// No error and no log line holds an address.
package subscription

import (
	"context"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/record"
)

// The classes of failures.
const (
	Timeout     = "timeout"
	Unreachable = "unreachable"
	Untrusted   = "certificate"
	// Refused is an endpoint that an administrator does not allow, or an address
	// that nothing connects to.
	Refused = "not-allowed"
	// Ended is no failure: the subscription's own end has come.
	Ended = "ended"
	// NotGranted is a client that is disabled, or may not search this any more.
	NotGranted = "not-granted"
	// ByAdministrator is a subscription that was turned off on the command line.
	ByAdministrator = "administrator"
	// statusClass begins the class of an answer that is no success.
	statusClass = "status-"
)

// Policy says how often and how long an endpoint is tried.
type Policy struct {
	// Attempts is how many may fail in a row before a subscription is turned off.
	Attempts int
	// First is the pause after the first failure. Each is twice the one before it,
	// up to Longest.
	First, Longest time.Duration
	// Lease is how long a process keeps a subscription that it sends for.
	Lease time.Duration
	// Remember is how long it can be seen what was sent, and Forget how often the
	// rest is removed.
	Remember, Forget time.Duration
}

// DefaultPolicy tries for some three days, so that an endpoint may be away over a
// weekend; common practice.
var DefaultPolicy = Policy{
	Attempts: 45, First: 10 * time.Second, Longest: 2 * time.Hour, Lease: time.Minute, Remember: 30 * 24 * time.Hour, Forget: time.Hour,
}

// pause is how long to wait after so many failures. Half of it is left to chance
// (jitter is from 0 to 1), so that what failed together is not tried together.
func (p Policy) pause(failures int, jitter float64) time.Duration {
	d := p.First
	for i := 1; i < failures && d < p.Longest; i++ {
		d *= 2
	}
	d = min(d, p.Longest)
	return d/2 + time.Duration(jitter*float64(d/2))
}

// Sender sends what waits in the store.
type Sender struct {
	Store  *record.Store
	Client *http.Client
	// Hosts are where requests may go. They are asked each time: an administrator
	// may have thought better of one.
	Hosts Hosts
	// Granted reports whether the client may still search what it subscribed to.
	Granted func(context.Context, record.Subscription) (bool, error)
	Policy  Policy
	Now     func() time.Time
	// Jitter is a number of chance from 0 to 1.
	Jitter func() float64
	Log    *slog.Logger

	forgot time.Time
}

// Run sends what is due each time it is told to, until the context ends. A request
// under way is then broken off, and sent again by whoever comes next.
func (s *Sender) Run(ctx context.Context, tick <-chan time.Time) {
	for {
		for {
			did, err := s.Once(ctx)
			if err != nil && ctx.Err() == nil {
				s.Log.Error("subscriptions", "error", err)
			}
			if err != nil || !did {
				break
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick:
		}
	}
}

// Once deals with one subscription that is due, and reports whether there was one.
func (s *Sender) Once(ctx context.Context) (bool, error) {
	now := s.Now()
	if s.forgot.IsZero() || now.Sub(s.forgot) >= s.Policy.Forget {
		if err := s.Store.ForgetSubscriptionEvents(ctx, now.Add(-s.Policy.Remember)); err != nil {
			return false, err
		}
		s.forgot = now
	}
	sub, _, err := s.Store.ClaimSubscription(ctx, uuid.NewString(), now.Add(s.Policy.Lease))
	if errors.Is(err, record.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, s.deal(ctx, sub)
}

func (s *Sender) deal(ctx context.Context, sub record.Subscription) error {
	now := s.Now()
	if !sub.EndsAt.IsZero() && !now.Before(sub.EndsAt) {
		return s.Store.SettleSubscription(ctx, sub, record.SubscriptionOff, Ended, now)
	}
	granted, err := s.Granted(ctx, sub)
	if err != nil {
		return errors.Join(err, s.Store.ReleaseSubscription(context.WithoutCancel(ctx), sub.Claim))
	}
	if !granted {
		return s.Store.SettleSubscription(ctx, sub, record.SubscriptionOff, NotGranted, now)
	}
	class := s.send(ctx, sub)
	// What came of it is noted even where the program is about to stop.
	last := context.WithoutCancel(ctx)
	failures := sub.Failures + 1
	switch {
	case class == "":
		return s.Store.SettleSubscription(last, sub, record.SubscriptionActive, "", s.Now())
	case ctx.Err() != nil: // broken off, which is not the endpoint's fault
		return errors.Join(ctx.Err(), s.Store.ReleaseSubscription(last, sub.Claim))
	case failures >= s.Policy.Attempts:
		return s.Store.SettleSubscription(last, sub, record.SubscriptionOff, class, s.Now())
	default:
		due := s.Now().Add(s.Policy.pause(failures, s.Jitter()))
		return s.Store.SettleSubscription(last, sub, record.SubscriptionError, class, due)
	}
}

// send sends the request, and returns the class of the failure, if it fails.
func (s *Sender) send(ctx context.Context, sub record.Subscription) string {
	if s.Hosts.Check(sub.Endpoint) != nil {
		return Refused
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, sub.Endpoint, http.NoBody)
	if err != nil {
		return Refused
	}
	request.Header.Set("User-Agent", "Candidacy")
	for _, line := range sub.Headers {
		name, value, err := Header(line)
		if err != nil {
			return Refused
		}
		request.Header.Add(name, value)
	}
	response, err := s.Client.Do(request)
	if err != nil {
		return classOf(err)
	}
	defer response.Body.Close()
	// What the endpoint has to say is of no interest; a little is read so that the
	// connection may be used again.
	_, _ = io.CopyN(io.Discard, response.Body, 4<<10)
	if response.StatusCode < 200 || response.StatusCode > 299 {
		return statusClass + strconv.Itoa(response.StatusCode)
	}
	return ""
}

// classOf puts what went wrong in a word: the error itself names the address.
func classOf(err error) string {
	var slow net.Error
	var authority x509.UnknownAuthorityError
	var name x509.HostnameError
	var certificate x509.CertificateInvalidError
	switch {
	case errors.Is(err, errAddress):
		return Refused
	case errors.As(err, &authority), errors.As(err, &name), errors.As(err, &certificate):
		return Untrusted
	case errors.As(err, &slow) && slow.Timeout():
		return Timeout
	default:
		return Unreachable
	}
}
