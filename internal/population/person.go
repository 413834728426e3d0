package population

import (
	"fmt"
	"math/rand/v2"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// What must be in nothing that is published. Secret is in every note and reason,
// Told in every result that was told in confidence, as far as it has words, and
// RecipientMark in every reference to a recipient. Reach is in every address and
// telephone number.
const (
	Secret        = "pemberwhistle"
	Told          = "told-numbat"
	RecipientMark = "quokka"
	Reach         = "wombatmail"
)

// Names that programs stumble over are among those of the invented people.
var (
	givenNames  = []string{"Quillon", "Zoë Maria", "Anne-Lise", "Ø", "José", "Miyu 美優", "D'Arcy"}
	familyNames = []string{"Zephyrwick", "O'Brien & Søn", "van der <Berg>", "Ólafsdóttir", "de la Peña \"y\" Ruiz", "N"}
)

// system is where the programme's identifiers come from.
const system = "https://hospital.example/synthetic/mrn"

// traits are what an invented person and their journey are like.
type traits struct {
	referral command.Referral
	protocol *protocol.Protocol
	// begins is when the person is referred.
	begins time.Time
	// abnormal is the chance of a result that is out of the ordinary, and thorough
	// that of what is owed being done at once.
	abnormal, thorough float64
	// timers is the chance of the engine being there between two commands.
	timers float64
	// goes is how far the person goes, and leaves how they end there.
	goes   journey.Stage
	leaves Exit
	// pauses holds the journey before it ends.
	pauses bool
	// years of follow-up that are played.
	years float64
}

// Exit is how a journey ends before its end.
type Exit string

// The exits. Stays is none: the journey stands where it is.
const (
	Withdraws Exit = "withdraws"
	Declined  Exit = "declined"
	Dies      Exit = "dies"
	Stays     Exit = "stays"
)

// invent makes a person from chance.
func invent(dice *rand.Rand, seed uint64, protocols []*protocol.Protocol) traits {
	t := traits{
		protocol: protocols[dice.IntN(len(protocols))],
		abnormal: pick(dice, 0, 0.02, 0.06, 0.2), thorough: pick(dice, 1, 0.97, 0.9, 0.7), timers: pick(dice, 0, 0.1, 0.5),
		years: pick(dice, 0.3, 1.2, 2.5, 4.5),
	}
	t.begins = time.Date(2022, time.January, 1+dice.IntN(1800), 9, dice.IntN(60), 0, 0, t.protocol.Zone())
	t.referral = command.Referral{
		Given: pick(dice, givenNames...), Family: pick(dice, familyNames...),
		BirthDate:  journey.DateOf(t.begins, t.protocol.Zone()).AddDays(-365*19 - dice.IntN(365*55)),
		Sex:        pick(dice, "female", "female", "female", "female", "female", "female", "male", "male", "male", "male", "male", "male", "other", "unknown"),
		Identifier: result.Identifier{System: system, Value: fmt.Sprintf("POP-%06d", seed)},
		Path:       pick(dice, "direct", "direct", "direct", "direct", "paired", "nondirected"),
	}
	if t.referral.Path == "direct" || dice.IntN(2) == 0 {
		t.referral.Recipient = fmt.Sprintf("R-%s-%d", RecipientMark, seed)
	}
	t.goes, t.leaves = destiny(dice)
	t.halt()
	return t
}

// destiny is where somebody goes: most to the operation, the others to any other
// end from any stage.
func destiny(dice *rand.Rand) (journey.Stage, Exit) {
	if dice.IntN(100) < 58 {
		return journey.Closed, Stays
	}
	stages := []journey.Stage{
		journey.Referral, journey.Screening, journey.Evaluation, journey.Evaluation, journey.Committee, journey.Committee,
		journey.Approved, journey.Scheduled, journey.Scheduled, journey.OnHold, journey.Deferred, journey.Deferred, journey.Operation,
	}
	stage := pick(dice, stages...)
	if stage == journey.Operation {
		return stage, Stays
	}
	return stage, pick(dice, Withdraws, Declined, Dies, Stays)
}

// halt makes of somebody who goes to a pause one who pauses in a stage.
func (t *traits) halt() {
	if t.goes == journey.OnHold {
		stages := []journey.Stage{journey.Evaluation, journey.Screening, journey.Evaluation, journey.Scheduled, journey.Evaluation, journey.Approved}
		t.goes, t.pauses = stages[t.begins.Minute()%len(stages)], true
	}
}

func pick[T any](dice *rand.Rand, from ...T) T { return from[dice.IntN(len(from))] }
