package command

import "candidacy/internal/journey"

// RecordVisit is the body of record-visit.
type RecordVisit struct {
	Visit   string          `json:"visit"`
	Outcome journey.Outcome `json:"outcome"`
	// On is the day of the visit, or of the death; today without it.
	On journey.Date `json:"on,omitempty"`
	// ReasonCode says why it did not take place.
	ReasonCode journey.VisitReason `json:"reason_code,omitempty"`
	Note       string              `json:"note,omitempty"`
}

// Check implements Body.
func (b *RecordVisit) Check(f *Faults) {
	f.id("visit", b.Visit)
	f.oneOf("outcome", string(b.Outcome), true, string(journey.Seen), string(journey.NotReached))
	f.date("on", b.On, false)
	f.oneOf("reason_code", string(b.ReasonCode), false, words(journey.VisitReasons)...)
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *RecordVisit) Code(c *journey.Command) {
	c.Visit, c.Outcome, c.On, c.ReasonCode = coded(b.Visit), coded(b.Outcome), codedDate(b.On), coded(b.ReasonCode)
}

// RecordContact is the body of record-contact: one attempt to reach a donor for a
// follow-up visit.
type RecordContact struct {
	Visit   string          `json:"visit"`
	Channel journey.Channel `json:"channel"`
	Outcome journey.Outcome `json:"outcome"`
	// On is the day of the attempt; today without it.
	On   journey.Date `json:"on,omitempty"`
	Note string       `json:"note,omitempty"`
}

// Check implements Body.
func (b *RecordContact) Check(f *Faults) {
	f.id("visit", b.Visit)
	f.oneOf("channel", string(b.Channel), true, words(journey.Channels)...)
	f.oneOf("outcome", string(b.Outcome), true, words(journey.ContactOutcomes)...)
	f.date("on", b.On, false)
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *RecordContact) Code(c *journey.Command) {
	c.Visit, c.Channel, c.Outcome, c.On = coded(b.Visit), coded(b.Channel), coded(b.Outcome), codedDate(b.On)
}

func words[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, each := range list {
		out[i] = string(each)
	}
	return out
}
