package api

import (
	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

type protocolMilestone struct {
	ID        string               `json:"id"`
	Title     string               `json:"title"`
	For       string               `json:"for"`
	Topic     protocol.Topic       `json:"topic,omitempty"`
	Plain     string               `json:"plain,omitempty"`
	From      protocol.Anchor      `json:"from,omitempty"`
	FromDays  int                  `json:"from_days"`
	AlsoAfter []protocolAnchorDays `json:"also_after,omitempty"`
	Until     protocol.Anchor      `json:"until,omitempty"`
	UntilDays int                  `json:"until_days,omitempty"`
	ForLife   bool                 `json:"for_life,omitempty"`
	DoneBy    protocol.Anchor      `json:"done_by,omitempty"`
	Work      []protocol.WorkKind  `json:"work,omitempty"`
	Approach  []string             `json:"approach,omitempty"`
	ReviewIf  string               `json:"review_if,omitempty"`
	Differs   string               `json:"differs,omitempty"`
	Source    string               `json:"source"`
}

type protocolAnchorDays struct {
	Anchor protocol.Anchor `json:"anchor"`
	Days   int             `json:"days"`
}

func milestoneOf(m protocol.Milestone) protocolMilestone {
	shown := protocolMilestone{
		ID: m.ID, Title: m.Title, For: m.For, Topic: m.Topic, Plain: m.Plain, From: m.From, FromDays: m.FromDays, Until: m.Until,
		UntilDays: m.UntilDays, ForLife: m.ForLife, DoneBy: m.DoneBy, Work: m.Work, Approach: m.Approach, ReviewIf: m.ReviewIf,
		Differs: m.Differs, Source: m.Source,
	}
	for _, also := range m.AlsoAfter {
		shown.AlsoAfter = append(shown.AlsoAfter, protocolAnchorDays(also))
	}
	return shown
}

type protocolContact struct {
	ID     string `json:"id"`
	Title  string `json:"title"`
	Phone  string `json:"phone"`
	Hours  string `json:"hours,omitempty"`
	Urgent bool   `json:"urgent,omitempty"`
}

type protocolMedicines struct {
	ParacetamolG    float64  `json:"paracetamol_g"`
	ParacetamolLowG float64  `json:"paracetamol_low_g,omitempty"`
	LowWeightKg     float64  `json:"paracetamol_low_weight_kg"`
	HoursApart      int      `json:"paracetamol_hours_apart"`
	AspirinMg       float64  `json:"aspirin_mg"`
	Allowed         []string `json:"allowed,omitempty"`
	Source          string   `json:"source"`
}

// medicineList is what is on record of medicines, with what to know of them.
type medicineList struct {
	medication.List
	Notes []medication.Note `json:"notes"`
}

// RecoveryPlan is the dated plan of somebody who has donated, nil for others. It
// holds days and the protocol's words, which whoever may read the candidate may
// read.
func RecoveryPlan(p *protocol.Protocol, s journey.State, entries []record.Entry, today journey.Date) (recovery.Stay, []recovery.Line, error) {
	stay, err := activities.StayOf(entries)
	if err != nil || s.Outcome != journey.Removed {
		return stay, nil, err
	}
	return stay, recovery.Plan(p, s.Operated, stay, s.Visits, today), nil
}

// Medicines is what is on record of somebody's medicines as the reader may see
// it, with what the limits say to it. Their names are words of the care team, and
// what stands on a confidential result is told without it.
func (r Reader) Medicines(p *protocol.Protocol, s journey.State, entries []record.Entry, results []result.Result) (medication.List, []medication.Note, error) {
	if !r.ReadsCare() {
		return medication.List{}, nil, nil
	}
	list, err := activities.MedicinesOf(p, entries)
	if err != nil {
		return list, nil, err
	}
	notes := medication.Assess(p, list, results, s.Outcome == journey.Removed)
	rules := p.MedicineRules()
	if r.confidant() || !p.ConfidentialCode(rules.LiverDisease) && !p.ConfidentialCode(rules.Weight) {
		return list, notes, nil
	}
	for i, note := range notes {
		if note.OnResults {
			notes[i].Inputs = nil
			notes[i].Text = "Paracetamol: " + ByClinicians
		}
	}
	return list, notes, nil
}
