package demo

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

// nextMeeting is the id of the invented meeting that is to come.
var nextMeeting = uuid.MustParse("5a7f3c1e-40c8-4a57-9d54-0b6a6a4f1d20").String()

// attended are those who are at the meetings, with the seats that they take.
var attended = []meeting.Attendee{
	{Account: committee, Role: journey.CommitteeRole}, {Account: nephrologist, Role: journey.Clinician, Seat: "nephrologist"},
	{Account: surgeon, Role: journey.Clinician, Seat: "surgeon"}, {Account: psychologist, Role: journey.Clinician, Seat: "psychosocial-evaluator"},
	{Account: advocate, Role: journey.Advocate, Seat: "advocate"}, {Account: coordinator, Role: journey.Coordinator},
}

// hear has the committee of a candidate who waits for it ask something, and hear
// what the candidate says.
func (s *script) hear(ctx context.Context) error {
	if err := s.give(ctx, advocate, journey.Advocate, journey.RecordWords, &command.RecordWords{
		Words: "I have thought about this for more than a year. Nobody asked me to. I know that I can stop.", Agreed: true,
	}); err != nil {
		return err
	}
	return s.give(ctx, committee, journey.CommitteeRole, journey.AskQuestion, &command.AskQuestion{
		Question: "Who helps at home in the first two weeks?",
	})
}

// meetings plans the next meeting with everybody who is before the committee, and
// says who will be there.
func meetings(ctx context.Context, store *record.Store, base journey.Date) error {
	known, err := store.Meeting(ctx, nextMeeting)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return err
	}
	waiting, err := store.List(ctx, record.Filter{Stage: journey.Committee}, "", 100)
	if err != nil {
		return err
	}
	agenda := make([]string, len(waiting))
	for i, c := range waiting {
		agenda[i] = c.ID
	}
	slices.Sort(agenda)
	for n, change := range []meeting.Change{
		{Kind: meeting.Planned, Plan: &meeting.Plan{On: base.AddDays(2), Time: "13:00", Place: "Invented seminar room", Chair: committee}},
		{Kind: meeting.Agenda, Agenda: agenda},
		{Kind: meeting.Attended, Attended: slices.Clone(attended)},
	} {
		if int64(n) < known.Seq { // it was planned before the program stopped
			continue
		}
		if _, err := api.ChangeMeeting(ctx, store, meeting.Rules{}, nextMeeting, coordinator, journey.Coordinator, change); err != nil {
			return fmt.Errorf("plan the meeting: %w", err)
		}
	}
	return nil
}
