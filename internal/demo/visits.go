package demo

import (
	"context"
	"fmt"
	"slices"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// plannedVisits are the visits of the demonstration, in days from its first day: one of a
// candidate is over and nobody has said whether it took place, and one stands while the
// candidate is on hold.
var plannedVisits = map[string][]struct {
	day, hour int
	minutes   time.Duration
	place     string
	with      string
	mind      string
	work      []string
}{
	"c07": {
		{-2, 9, 30, "Main entrance, desk 2", "Sister on duty", "", []string{"lipids", "liver-panel", "tsh"}},
		{1, 8, 240, "Building B, ground floor", "", "Bring something to read: it takes the whole morning.", []string{"ecg", "renal-angiogram"}},
		{6, 13, 60, "Building B, second floor, room 12", nephrologist, "", []string{"medical-history", "medicines-allergies", "physical-exam"}},
	},
	"c10": {
		{1, 10, 45, "Main entrance, desk 2", "", "", []string{"bp-ambulatory"}},
		{8, 9, 90, "Building C, ground floor", "", "Take off rings and chains before you come.", []string{"renal-angiogram"}},
	},
	"c18": {{2, 11, 30, "Main entrance, desk 2", "Sister on duty", "Bring your letter of invitation.", []string{"vte-risk", "crossmatch-final"}}},
	"c21": {{4, 9, 30, "Main entrance, desk 2", "", "", []string{"lipids", "clotting"}}},
}

// visitsSecret is that of the link to the own page of the candidate visitor. It is in the
// source, as the demonstration's passwords are.
const visitsSecret = "synthetic-link-to-the-own-page-of-visits000"

// visitor is the candidate who can see the planned visits.
const visitor = "c07"

// Visitor says where the candidate sees the planned visits who has a link to an own page,
// and the date of birth that opens it.
func Visitor() (path string, born journey.Date, err error) {
	m, err := readManifest()
	i := slices.IndexFunc(m.Candidates, func(p person) bool { return p.ID == visitor })
	if err != nil || i < 0 {
		return "", "", err
	}
	return "/my/" + visitsSecret, m.Candidates[i].BirthDate, nil
}

// planVisits plans what the table has for the candidate.
func (s *script) planVisits(ctx context.Context) error {
	for i, v := range plannedVisits[s.person.ID] {
		at := s.base.AddDays(v.day).Start(s.dispatcher.Current.Zone()).Add(time.Duration(v.hour) * time.Hour)
		err := s.give(ctx, coordinator, journey.Coordinator, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: command.VisitPlan{
			StartsAt: at.Format(time.RFC3339), EndsAt: at.Add(v.minutes * time.Minute).Format(time.RFC3339),
			Requirements: v.work, Place: v.place, With: v.with, Instructions: v.mind,
		}})
		if err != nil {
			return fmt.Errorf("visit %d: %w", i+1, err)
		}
	}
	if s.person.ID != visitor {
		return nil
	}
	return s.give(ctx, coordinator, journey.Coordinator, journey.GiveDonorLink, &command.GiveDonorLink{
		Digest: record.DonorDigest(visitsSecret), Until: s.base.AddDays(98),
	})
}
