package demo

import (
	"context"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

func pointer[T any](value T) *T { return &value }

// operationRecord is what the surgeon dictates when the kidney has gone and
// nobody has said yet what became of it.
func (s *script) operationRecord() *command.RecordOperation {
	at := func(hour, minute, second int) string {
		clock := time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
		return s.operation().Start(s.dispatcher.Current.Zone()).Add(clock).Format(time.RFC3339)
	}
	return &command.RecordOperation{
		Outcome: journey.Removed, Side: journey.Left, PlannedApproach: "laparoscopic", Approach: "laparoscopic", ExtractionSite: "pfannenstiel",
		Times: &command.OperationTimes{
			InTheatre: at(8, 0, 0), Anaesthesia: at(8, 15, 0), Incision: at(8, 50, 0), ArteryClamped: at(10, 20, 0), KidneyOut: at(10, 23, 10),
			Flush: at(10, 24, 5), Closure: at(11, 5, 0), OutOfTheatre: at(11, 30, 0), HandOver: at(10, 40, 0),
		},
		Found:         &command.Anatomy{Arteries: pointer(1), Veins: pointer(1), Ureters: pointer(1), EarlyBranching: pointer(false)},
		ArteryControl: []string{"stapler"}, VeinControl: []string{"stapler"}, BloodLossML: pointer(90), TransfusionUnits: pointer(0),
		Kidney:        &command.KidneyState{Condition: command.KidneyGood, Flush: "clear", Bench: []string{"none"}, Fate: journey.FateUnknown},
		CountsCorrect: pointer(true), SpecimenSent: pointer(false), Note: "No complication.",
	}
}

// aftermath is what comes to be known in the days after the operation.
func (s *script) aftermath(ctx context.Context) error {
	record := s.operationRecord()
	record.Kidney.Fate = journey.FateImplanted
	s.on(s.operation().AddDays(1), 9, 15)
	if err := s.give(ctx, surgeon, journey.Clinician, journey.AmendOperation, &command.AmendOperation{
		Record: *record, Replaces: s.seq, Reason: "The other theatre has rung.",
	}); err != nil {
		return err
	}
	s.on(s.operation().AddDays(5), 14, 0)
	return s.give(ctx, surgeon, journey.Clinician, journey.RecordComplication, &command.RecordComplication{
		Complication: "urinary-infection", Date: s.operation().AddDays(4),
		Treatment: command.Treatment{
			OtherDrugs: "yes", Transfusion: "no", ParenteralNutrition: "no", Intervention: "none", IntensiveCare: "no",
			OrganFailure: "none", Dialysis: "no", Death: "no", DisabilityAtDischarge: "no",
		},
		Note: "Settled with tablets in three days.",
	})
}
