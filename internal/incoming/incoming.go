// Package incoming takes in what laboratories and other systems send, over
// whatever channel. A message is kept whole before it is understood, so that
// nothing that was acknowledged is lost: then its people are matched, by
// identifiers alone, and one command for each of them goes to package dispatch.
// What can't be understood or must not be guessed waits for a person.
//
// A message holds names. It stays in the record store and is quoted in no error
// and no log.
package incoming

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"golang.org/x/sync/singleflight"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// Channel is the way a message comes in by.
type Channel string

// The channels.
const (
	FHIR Channel = "fhir"
	MLLP Channel = "mllp"
	API  Channel = "api"
	CLI  Channel = "cli"
)

// told reports whether the sender waits for what becomes of the message, so that
// it can be told of its own mistakes. Over the others a mistake is held for a
// person, since the sender has gone on.
func (c Channel) told() bool { return c != MLLP }

// State is what has become of a message, or of what it says of one person.
type State = record.IncomingState

// The states.
const (
	Received = record.IncomingReceived
	Applied  = record.IncomingApplied
	Held     = record.IncomingHeld
	Refused  = record.IncomingRefused
	Settled  = record.IncomingSettled
)

// Delivery is one message as a channel has received it.
type Delivery struct {
	Channel Channel
	// Sender is who sent it: the holder of a token, or the id of an application.
	Sender string
	// ControlID is the sender's own id of the message. Without one the bytes, with
	// the request, are their own id.
	ControlID string
	// ContentType chooses the reader.
	ContentType string
	// Request is what came beside the bytes, in the form of the reader; Beside is
	// what of it makes another message of the same bytes, all of it when empty.
	Request, Beside string
	Raw             []byte
	// Received is when it arrived; the clock of the store without one.
	Received time.Time
	// MessageTime is when the sender made it, RFC 3339; empty when that is not
	// known.
	MessageTime string
	// Actor and Role are in whose name commands are given: those of the intake
	// when both are empty.
	Actor string
	Role  journey.Role
}

// Receipt says that a message is on disk.
type Receipt struct {
	ID    string
	State State
	// Repeated says that the same bytes came under the same control id before, and
	// nothing was done now.
	Repeated bool
	// Rejected says that sending the same again can never help.
	Rejected bool
	// Issues are why it is held or refused, those of all people together.
	Issues []reading.Issue
}

// Outcome is what became of a message.
type Outcome struct {
	Receipt
	// Parts are what became of each group of the message, in its order. There is
	// none of a message that could not be read.
	Parts []Part
}

// Part is what became of what a message says of one person.
type Part struct {
	Place string `json:"place,omitempty"`
	State State  `json:"state"`
	// Candidate is whom it was matched with; empty when nobody was found.
	Candidate string `json:"candidate,omitempty"`
	// Seq is the entry that it became.
	Seq     int64           `json:"seq,omitempty"`
	Results []Made          `json:"results,omitempty"`
	Issues  []reading.Issue `json:"issues,omitempty"`
}

// Made is what became of one result.
type Made struct {
	Place string `json:"place,omitempty"`
	// ID is that of the result, and of its Observation; Version that of the
	// result, which stands.
	ID      string `json:"id"`
	Version int64  `json:"version"`
	Change  Change `json:"change"`
}

// Change says what a report changed.
type Change string

// The changes.
const (
	Created Change = "created"
	Updated Change = "updated"
	// Unchanged: the same is on record.
	Unchanged Change = "unchanged"
	// Outdated: a newer report stands; this one is kept beside it.
	Outdated Change = "outdated"
)

// Submitter carries commands out.
type Submitter interface {
	Submit(context.Context, dispatch.Request) (dispatch.Receipt, error)
	// Check finds what the protocol of the candidate, or the present one for
	// nobody, does not take.
	Check(ctx context.Context, candidate string, body command.Body) error
}

var _ Submitter = (*dispatch.Dispatcher)(nil)

// Readers are the readers by media type.
type Readers map[string]reading.Reader

// Queue takes messages in. It is safe for concurrent use; Readers are set before
// the first message.
type Queue struct {
	Readers Readers

	store   *record.Store
	submit  Submitter
	now     func() time.Time
	log     *slog.Logger
	flights singleflight.Group
	wake    chan struct{}
}

// New returns a queue without readers. A nil log discards.
func New(store *record.Store, submit Submitter, now func() time.Time, log *slog.Logger) *Queue {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Queue{Readers: Readers{}, store: store, submit: submit, now: now, log: log, wake: make(chan struct{}, 1)}
}

const (
	// lease is for how long a message is left to the process that has it.
	lease = time.Minute
	// MaxBytes bounds a message.
	MaxBytes = 1 << 20
)

// ErrContentType says that no reader is there for a content type.
var ErrContentType = errors.New("messages of this type are not read here")

// Receive keeps a message and reads it, without waiting for what is carried out:
// Run does that. An error says that the message is not kept, and that the sender
// has to send it again.
func (q *Queue) Receive(ctx context.Context, d Delivery) (Receipt, error) {
	m, repeated, err := q.keep(ctx, d, q.now())
	if err != nil {
		return Receipt{}, err
	}
	if repeated, err = q.reconsider(ctx, &m, repeated); err != nil {
		return Receipt{}, err
	}
	if m.State == Received && !repeated {
		// It is kept: whatever fails from here on is tried again by Run.
		if finished, err := q.readFirst(ctx, m); err == nil {
			m = finished
		}
	}
	if m.State == Received {
		q.Wake()
	}
	return receipt(m, repeated)
}

// Take keeps a message and carries it out. While that takes too long the state
// stays received, and Run goes on with it. An error says that the message is not
// kept.
func (q *Queue) Take(ctx context.Context, d Delivery) (Outcome, error) {
	m, repeated, err := q.keep(ctx, d, q.now().Add(lease))
	if err != nil {
		return Outcome{}, err
	}
	if repeated, err = q.reconsider(ctx, &m, repeated); err != nil {
		return Outcome{}, err
	}
	if m.State == Received {
		if err := q.CarryOut(ctx, m.ID); err != nil {
			q.trouble(ctx, m.ID, err)
		}
		if m, err = q.store.Incoming(context.WithoutCancel(ctx), m.ID); err != nil {
			return Outcome{}, err
		}
	}
	return OutcomeOf(m, repeated)
}

// Outcome returns what became of a message that was received before.
func (q *Queue) Outcome(ctx context.Context, id string) (Outcome, error) {
	m, err := q.store.Incoming(ctx, id)
	if err != nil {
		return Outcome{}, err
	}
	return OutcomeOf(m, false)
}

// reconsider looks again at a message that was not taken and is sent once more:
// a candidate may have been referred meanwhile, or a protocol changed. What is on
// record, or was put aside by a person, stays as it is. It returns whether the
// message stays a mere repetition.
func (q *Queue) reconsider(ctx context.Context, m *record.Incoming, repeated bool) (bool, error) {
	if !repeated || !m.State.Open() || reusedControl(*m) {
		return repeated, nil
	}
	if err := q.store.ReconsiderIncoming(ctx, m.ID, m.Revision, q.now().Add(lease)); err != nil {
		return false, err
	}
	var err error
	*m, err = q.store.Incoming(ctx, m.ID)
	return false, err
}

func reusedControl(m record.Incoming) bool {
	var issues []reading.Issue
	return json.Unmarshal(orList(m.Issues), &issues) == nil && slices.ContainsFunc(issues, func(i reading.Issue) bool { return i.Kind == reading.ControlReused })
}

func (q *Queue) keep(ctx context.Context, d Delivery, due time.Time) (record.Incoming, bool, error) {
	if _, ok := q.Readers[d.ContentType]; !ok {
		return record.Incoming{}, false, ErrContentType
	}
	if len(d.Raw) > MaxBytes {
		return record.Incoming{}, false, fmt.Errorf("a message of more than %d bytes is not kept", MaxBytes)
	}
	if d.Actor == "" && d.Role == "" {
		d.Actor, d.Role = record.IntakeActor, journey.Laboratory
	}
	control := d.ControlID
	if control == "" {
		control = ownID(d)
	}
	m := record.Incoming{
		Channel: string(d.Channel), Sender: d.Sender, ControlID: control, ContentType: d.ContentType, Request: d.Request, Raw: d.Raw,
		Actor: d.Actor, Role: d.Role, SentAt: d.MessageTime, ReceivedAt: d.Received,
	}
	return q.store.KeepIncoming(ctx, m, due, func(before []record.Incoming) (State, json.RawMessage) {
		// What was refused its sender was asked to correct.
		before = slices.DeleteFunc(before, func(m record.Incoming) bool { return m.State == Refused })
		if len(before) == 0 || restamped(d.MessageTime, before) {
			return "", nil
		}
		issue := reading.Issue{Kind: reading.ControlReused, Problem: "the sender gave this id to another message before"}
		raw, err := json.Marshal([]reading.Issue{issue})
		if err != nil {
			return "", nil
		}
		if d.Channel.told() {
			return Refused, raw
		}
		return Held, raw
	})
}

// restamped reports whether every message with the control id was made at
// another time: a sender that counts its messages anew each day is no fault.
func restamped(sent string, before []record.Incoming) bool {
	at, err := time.Parse(time.RFC3339, sent)
	if err != nil {
		return false
	}
	for _, m := range before {
		was, err := time.Parse(time.RFC3339, m.SentAt)
		if err != nil || was.Equal(at) {
			return false
		}
	}
	return true
}

func receipt(m record.Incoming, repeated bool) (Receipt, error) {
	o, err := OutcomeOf(m, repeated)
	return o.Receipt, err
}

// OutcomeOf is what became of a message, as the store keeps it.
func OutcomeOf(m record.Incoming, repeated bool) (Outcome, error) {
	o := Outcome{Receipt: Receipt{ID: m.ID, State: m.State, Repeated: repeated, Rejected: m.Rejected}}
	if err := json.Unmarshal(orList(m.Issues), &o.Issues); err != nil {
		return o, fmt.Errorf("the stored issues of a message are unreadable: %w", err)
	}
	if err := json.Unmarshal(orList(m.Parts), &o.Parts); err != nil {
		return o, fmt.Errorf("what became of a message is unreadable: %w", err)
	}
	for _, p := range o.Parts {
		o.Issues = append(o.Issues, p.Issues...)
	}
	return o, nil
}

func orList(raw json.RawMessage) json.RawMessage {
	if len(raw) == 0 {
		return json.RawMessage("[]")
	}
	return raw
}

// Read returns a message as the readers understand it now.
func (q *Queue) Read(m record.Incoming) (reading.Message, error) {
	reader, ok := q.Readers[m.ContentType]
	if !ok {
		return reading.Message{}, &reading.Unreadable{Issues: []reading.Issue{{Kind: reading.NotSupported, Problem: ErrContentType.Error()}}}
	}
	message, err := reader.Read(reading.Input{Raw: m.Raw, Sender: m.Sender, Request: m.Request})
	var unreadable *reading.Unreadable
	if err != nil && !errors.As(err, &unreadable) {
		// What a reader says for itself may quote the message.
		err = &reading.Unreadable{Issues: []reading.Issue{{Kind: reading.NotUnderstood, Problem: "the reader failed"}}}
	}
	return message, err
}

// PatientID is the system of an identifier that is a candidate's id, as in a
// reference to Patient/{id} of this server.
const PatientID = reading.PatientID

// subject is whom an identifier finds.
func (q *Queue) subject(ctx context.Context, id result.Identifier) (string, error) {
	if id.System != PatientID {
		return q.store.OwnerOf(ctx, id)
	}
	c, err := q.store.Candidate(ctx, id.Value)
	return c.ID, err
}
