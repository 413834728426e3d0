package command

import "candidacy/internal/journey"

// ConfirmDuties is the body of confirm-duties: what the advocate did, at the time.
type ConfirmDuties struct {
	Duties []string `json:"duties"`
	// Verdict is met, or not-met to take back what was confirmed by mistake.
	Verdict journey.Verdict `json:"verdict"`
	// On is the day on which it was done, today where it is empty.
	On journey.Date `json:"on,omitempty"`
	// Reason says why something is taken back.
	Reason string `json:"reason,omitempty"`
}

// Check implements Body.
func (b *ConfirmDuties) Check(f *Faults) {
	if len(b.Duties) == 0 {
		f.Add("duties", "missing")
	}
	f.ids("duties", b.Duties)
	f.oneOf("verdict", string(b.Verdict), true, string(journey.VerdictMet), string(journey.VerdictNotMet))
	f.date("on", b.On, false)
	f.text("reason", b.Reason, b.Verdict == journey.VerdictNotMet)
}

// Code implements Body.
func (b *ConfirmDuties) Code(c *journey.Command) {
	c.Items, c.Verdict, c.On, c.Reasoned = codedAll(b.Duties), coded(b.Verdict), codedDate(b.On), given(b.Reason)
}

// PauseCauses lists why a candidate is paused. Which one it was is for those who read
// private words.
var PauseCauses = []string{"wants-time", "not-understood", "pressure", "gain", "health", "rights", "other"}

// Hold is the body of hold.
type Hold struct {
	Note string `json:"note,omitempty"`
	// Cause is one of PauseCauses, and private.
	Cause string `json:"cause,omitempty"`
}

// Check implements Body.
func (b *Hold) Check(f *Faults) {
	f.text("note", b.Note, false)
	f.oneOf("cause", b.Cause, false, PauseCauses...)
}

// Code implements Body.
func (b *Hold) Code(*journey.Command) {}

// Withdrawal is the body of withdraw.
type Withdrawal struct {
	// Note is for coordinators and the advocate alone.
	Note string `json:"note,omitempty"`
	// Witness is the account of whoever heard it together with the author and
	// confirmed it with their own sign-in. Only the page where they do so may set it.
	Witness string `json:"witness,omitempty"`
}

// Check implements Body.
func (b *Withdrawal) Check(f *Faults) {
	f.text("note", b.Note, false)
	if b.Witness != "" {
		f.id("witness", b.Witness)
	}
}

// Code implements Body.
func (b *Withdrawal) Code(*journey.Command) {}
