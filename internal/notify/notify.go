// Package notify sends the messages that deadlines asked for. They wait in the
// record store, written with the entries, and any number of processes may send
// them: a lease in the database keeps each with one process at a time.
//
// A message is sent at least once. A process that dies after the mail server has
// taken a message and before that is noted sends it again, with the same
// Message-ID, by which mail programs show it once. Nothing here knows names or
// clinical facts, and no error or log line holds an address.
package notify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Message is one e-mail to one person.
type Message struct {
	// ID is the Message-ID without its brackets: it follows from the notice and
	// the recipient.
	ID      string
	To      string
	Subject string
	Body    string
	Date    time.Time
}

// Sender hands a message to a mail server. Its errors are *Failure.
type Sender interface {
	Send(ctx context.Context, m Message) error
}

// Failure says why a message was not sent, in a word that holds no address.
type Failure struct {
	Class string
	// Permanent failures are not tried again.
	Permanent bool
}

// Error implements error.
func (f *Failure) Error() string { return "the message was not sent: " + f.Class }

// Classes of notices that reached nobody, beside those of the mail server.
const (
	NoAddress    = "no-address"
	NoPermission = "no-permission"
	NoAdvocate   = "no-advocate"
	Settled      = "settled"
	TooOld       = "too-old"
	NoText       = "no-text"
)

// Policy says how often and how long a message is tried.
type Policy struct {
	// Attempts is how often a message is tried before it counts as failed.
	Attempts int
	// First is the pause after the first attempt. Each is twice the one before it,
	// up to Longest.
	First, Longest time.Duration
	// MaxAge drops what nobody tried to send for so long, as while no mail server
	// was set: a reminder of last year reminds of nothing.
	MaxAge time.Duration
	// Lease is how long a process keeps what it has claimed, Batch how much that
	// is, and Slack how long before the lease ends nothing more is begun.
	Lease, Slack time.Duration
	Batch        int
}

// DefaultPolicy tries for up to 4.7 days: RFC 5321, 4.5.4.1 has a mail server give
// up after 4 to 5 days. The first pauses are shorter than its 30 minutes, since
// the server is the programme's own relay; they, the lease and the batch are
// common practice.
var DefaultPolicy = Policy{
	Attempts: 36, First: time.Minute, Longest: 4 * time.Hour, MaxAge: 5 * 24 * time.Hour,
	Lease: 10 * time.Minute, Slack: 2 * time.Minute, Batch: 50,
}

// pause is how long to wait after so many attempts. Half of it is left to chance
// (jitter is from 0 to 1), so that what failed together is not tried together.
func (p Policy) pause(attempts int, jitter float64) time.Duration {
	d := p.First
	for i := 1; i < attempts && d < p.Longest; i++ {
		d *= 2
	}
	d = min(d, p.Longest)
	return d/2 + time.Duration(jitter*float64(d/2))
}

// Notifier sends what waits in the store.
type Notifier struct {
	Store     *record.Store
	Protocols *protocol.Registry
	Sender    Sender
	// BaseURL is the address of the pages, without a slash at its end.
	BaseURL string
	// Domain ends every Message-ID.
	Domain string
	Policy Policy
	Now    func() time.Time
	// Jitter is a number of chance from 0 to 1.
	Jitter func() float64
	Log    *slog.Logger
	// Quit, once closed, lets the message under way finish and begins no other. It
	// may be nil.
	Quit <-chan struct{}
}

// errQuit says that no further message is begun.
var errQuit = errors.New("no further message is begun")

func (n *Notifier) quitting() bool {
	select {
	case <-n.Quit:
		return true
	default:
		return false
	}
}

// Run sends what is due each time it is told to, until it quits or the context
// ends, which breaks off the message under way.
func (n *Notifier) Run(ctx context.Context, tick <-chan time.Time) {
	for {
		for {
			done, err := n.Once(ctx)
			if err != nil && ctx.Err() == nil && !errors.Is(err, errQuit) {
				n.Log.Error("notices", "error", err)
			}
			if err != nil || done == 0 {
				break
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-n.Quit:
			return
		case <-tick:
		}
	}
}

// Once claims what is due, sends it, and returns how many notices it dealt with.
func (n *Notifier) Once(ctx context.Context) (done int, err error) {
	p := pass{Notifier: n, claim: uuid.NewString(), until: n.Now().Add(n.Policy.Lease), said: map[string]bool{}}
	list, err := n.Store.ClaimNotices(ctx, p.claim, p.until, n.Policy.Batch)
	if err != nil {
		return 0, err
	}
	for _, notice := range list {
		if err = p.deal(ctx, notice); err != nil {
			break
		}
		done++
	}
	if done < len(list) {
		// What is left is for whoever asks next, even if this process stops now.
		err = errors.Join(err, n.Store.ReleaseNotices(context.WithoutCancel(ctx), p.claim))
	}
	if errors.Is(err, errOutOfTime) && done > 0 {
		err = nil
	}
	return done, err
}

// pass is one round of sending.
type pass struct {
	*Notifier
	claim string
	until time.Time
	// said holds what each recipient was told in this round. All of its notices
	// waited before the first was sent, so that one message serves for several
	// that would say the same.
	said map[string]bool
}

// errOutOfTime says that the lease is about to end.
var errOutOfTime = errors.New("the lease on the notices is about to end")

// recipient is somebody whom a message goes to: an account, or the candidate.
type recipient struct{ id, email string }

// deal sends a notice to everybody whom it has not reached, or settles it.
func (p *pass) deal(ctx context.Context, notice record.Notice) error {
	candidate, err := p.Store.Candidate(ctx, notice.Candidate)
	if err != nil {
		return err
	}
	to, class, err := p.recipients(ctx, notice, candidate)
	if err != nil {
		return err
	}
	if class == "" && notice.Attempts == 0 && p.Now().Sub(notice.CreatedAt) > p.Policy.MaxAge {
		class = TooOld
	}
	switch class {
	case "":
	case NoAddress:
		return p.Store.SettleNotice(ctx, notice.ID, record.NoticeFailed, class, notice.Attempts)
	default:
		return p.Store.SettleNotice(ctx, notice.ID, record.NoticeDropped, class, notice.Attempts)
	}
	rules, err := p.Protocols.Get(ctx, notice.Protocol)
	if err != nil {
		return err
	}
	text, ok := rules.NoticeText(notice.Text)
	if !ok {
		return p.Store.SettleNotice(ctx, notice.ID, record.NoticeFailed, NoText, notice.Attempts)
	}
	subject, body := text.Render(p.BaseURL+board(notice), p.BaseURL+"/candidates/"+candidate.ID)
	failure, err := p.send(ctx, notice, to, subject, body)
	if err != nil {
		return err
	}
	attempts := notice.Attempts + 1
	switch {
	case failure == nil:
		return p.Store.SettleNotice(ctx, notice.ID, record.NoticeSent, "", attempts)
	case failure.Permanent || attempts >= p.Policy.Attempts:
		return p.Store.SettleNotice(ctx, notice.ID, record.NoticeFailed, failure.Class, attempts)
	default:
		due := p.Now().Add(p.Policy.pause(attempts, p.Jitter()))
		return p.Store.PostponeNotice(ctx, notice.ID, p.claim, failure.Class, attempts, due)
	}
}

// board is the page that a notice leads to, behind the sign-in: that of the candidates,
// for those who have one.
func board(n record.Notice) string {
	opened := n.Deadline == protocol.EmergencyOpened
	switch to := protocol.Addressee(n.Addressee); {
	case to == protocol.ToAdministrator && opened:
		return "/accounts"
	case to == protocol.ToAdministrator:
		return "/notices"
	case to == protocol.ToAuditor && opened:
		return "/audit?show=emergencies"
	case to == protocol.ToAdvocate && opened:
		return "/advocate"
	default:
		return "/"
	}
}

// send sends to everybody whom the notice has not reached. One who can't be
// reached keeps it from nobody else.
func (p *pass) send(ctx context.Context, notice record.Notice, to []recipient, subject, body string) (*Failure, error) {
	reached, err := p.Store.Deliveries(ctx, notice.ID)
	if err != nil {
		return nil, err
	}
	var worst *Failure
	for _, r := range to {
		if reached[r.id] {
			continue
		}
		said := strings.Join([]string{r.id, r.email, subject, body}, "\x00")
		if !p.said[said] {
			if !p.Now().Before(p.until.Add(-p.Policy.Slack)) {
				return nil, errOutOfTime
			}
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			if p.quitting() {
				return nil, errQuit
			}
			err := p.Sender.Send(ctx, Message{
				ID: messageID(notice.ID, r.id, p.Domain), To: r.email, Subject: subject, Body: body, Date: p.Now(),
			})
			if err != nil {
				var failure *Failure
				if !errors.As(err, &failure) {
					return nil, fmt.Errorf("send a notice: %w", err)
				}
				if worst == nil || worst.Permanent {
					worst = failure // what may yet succeed is tried again
				}
				continue
			}
			p.said[said] = true
		}
		if err := p.Store.RecordDelivery(ctx, notice.ID, r.id); err != nil {
			return nil, err
		}
	}
	return worst, nil
}

// recipients finds whom a notice goes to now, or in one word why to nobody.
func (p *pass) recipients(ctx context.Context, notice record.Notice, c record.Candidate) ([]recipient, string, error) {
	if c.State.Stage.Ended() && notice.Deadline != protocol.EmergencyOpened {
		return nil, record.DroppedEnded, nil
	}
	switch to := protocol.Addressee(notice.Addressee); {
	case to == protocol.ToCandidate:
		switch {
		case settled(c.State, notice.Subject):
			return nil, Settled, nil
		case c.Contact.Permission != permissionGiven || c.Contact.Email == "":
			return nil, NoPermission, nil
		}
		return []recipient{{"candidate", c.Contact.Email}}, "", nil
	case to == protocol.ToAdvocate:
		if c.State.Advocate == "" {
			return nil, NoAdvocate, nil
		}
		return p.reachable(ctx, journey.Advocate, c, c.State.Advocate)
	default:
		return p.reachable(ctx, to.Role(), c, "")
	}
}

// permissionGiven is what a candidate says who may be written to: see package
// command.
const permissionGiven = "given"

// reachable lists the accounts of a role, or the one that is named, that have an
// address and don't care for the candidate's recipient.
func (p *pass) reachable(ctx context.Context, role journey.Role, c record.Candidate, only string) ([]recipient, string, error) {
	accounts, err := p.Store.Reachable(ctx, role, c.Recipient)
	if err != nil {
		return nil, "", err
	}
	var list []recipient
	for _, a := range accounts {
		if only == "" || a.ID == only {
			list = append(list, recipient{a.ID, a.Email})
		}
	}
	if len(list) == 0 {
		return nil, NoAddress, nil
	}
	return list, "", nil
}

// settled reports whether the visit that a notice is about needs nothing more.
func settled(s journey.State, subject string) bool {
	id, _, _ := strings.Cut(subject, "/")
	for _, v := range s.Visits {
		if v.ID == id {
			return v.Settled()
		}
	}
	return false
}

// messageID follows from the notice and the recipient: a message that is sent
// twice is recognised by it.
func messageID(notice, recipient, domain string) string {
	sum := sha256.Sum256([]byte(notice + "\x00" + recipient))
	return hex.EncodeToString(sum[:16]) + "@" + domain
}
