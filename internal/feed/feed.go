// Package feed takes the HL7 v2 messages of a connection to the queue of
// incoming messages, and acknowledges them: nothing before it is on disk.
package feed

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"candidacy/internal/hl7"
	"candidacy/internal/incoming"
	"candidacy/internal/mllp"
	"candidacy/internal/oru"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
)

// Receiver keeps messages. An error says that it has not kept one.
type Receiver interface {
	Receive(context.Context, incoming.Delivery) (incoming.Receipt, error)
}

var _ Receiver = (*incoming.Queue)(nil)

// Feed answers messages.
type Feed struct {
	Receiver Receiver
	// Protocol names the senders.
	Protocol *protocol.Protocol
	Now      func() time.Time
	// ControlID makes an id for each acknowledgement, of up to 19 characters.
	ControlID func() string
	Log       *slog.Logger
}

// Handle is the mllp.Handler.
func (f *Feed) Handle(ctx context.Context, peer mllp.Peer, frame mllp.Frame) [][]byte {
	header := hl7.Peek(frame.Message)
	answer := f.answer(ctx, peer, header, frame)
	answer.ControlID, answer.At = f.ControlID(), f.Now().In(f.Protocol.Zone())
	return hl7.Acknowledge(header, answer)
}

func (f *Feed) answer(ctx context.Context, peer mllp.Peer, header hl7.Header, frame mllp.Frame) hl7.Answer {
	whole := hl7.Location{Segment: "MSH", Sequence: 1}
	refuse := func(outcome hl7.Outcome, code hl7.Code, problem string) hl7.Answer {
		return hl7.Answer{Outcome: outcome, Faults: []hl7.Fault{{Location: whole, Code: code, Problem: problem}}}
	}
	switch {
	case frame.TooLarge:
		f.Log.WarnContext(ctx, "a message is too large to be kept", "peer", peer.Address)
		return refuse(hl7.Rejected, hl7.InternalError, fmt.Sprintf("larger than %d bytes, and not kept", incoming.MaxBytes))
	case len(frame.Message) == 0:
		return refuse(hl7.Rejected, hl7.SegmentSequence, "the frame is empty")
	}
	application, facility := header.Sender()
	sender, _ := f.Protocol.SenderOf(application, facility, peer.Certificate)
	receipt, err := f.Receiver.Receive(ctx, incoming.Delivery{
		Channel: incoming.MLLP, Sender: sender.ID, ControlID: control(header), ContentType: oru.ContentType,
		Raw: frame.Message, Received: f.Now(), MessageTime: sent(header, sender),
	})
	if err != nil {
		// The text of an error may quote the message.
		f.Log.ErrorContext(ctx, "a message could not be kept", "peer", peer.Address, "cause", fmt.Sprintf("%T", err))
		return refuse(hl7.Unavailable, hl7.InternalError, "it could not be kept; send it again")
	}
	if receipt.State != incoming.Refused {
		return hl7.Answer{Outcome: hl7.Accepted}
	}
	answer := hl7.Answer{Outcome: hl7.Failed, Faults: faults(receipt.Issues)}
	if receipt.Rejected {
		answer.Outcome = hl7.Rejected
	}
	return answer
}

// control is MSH-10 as the id of the message. What is no visible text of a usual
// length stands for itself by its digest.
func control(h hl7.Header) string {
	const longest = 199 // MSH-10 has 199 characters from version 2.6 on, 20 before.
	id := strings.TrimSpace(h.Delimiters.Text(h.ControlID))
	if utf8.ValidString(id) && len(id) <= longest && !strings.ContainsFunc(id, unicode.IsControl) {
		return id
	}
	sum := sha256.Sum256([]byte(id))
	return "sha256-" + hex.EncodeToString(sum[:])
}

// sent is MSH-7 as RFC 3339, empty where it is no moment.
func sent(h hl7.Header, sender protocol.Sender) string {
	at, err := hl7.ParseTime(h.Time, sender.Zone())
	if err != nil || at.Precision < hl7.Minute {
		return ""
	}
	return at.String()
}

// faults are the issues as ERR segments tell them.
func faults(issues []reading.Issue) []hl7.Fault {
	list := make([]hl7.Fault, 0, len(issues))
	for _, i := range issues {
		at, err := hl7.ParseLocation(i.Location)
		if err != nil {
			at = hl7.Location{Segment: "MSH", Sequence: 1}
		}
		code := hl7.Code(i.Code)
		if !code.Known() {
			code = hl7.InternalError
		}
		list = append(list, hl7.Fault{Location: at, Code: code, Problem: i.Problem, Accepted: i.Accepted})
	}
	return list
}
