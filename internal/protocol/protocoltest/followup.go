package protocoltest

import (
	"strings"
	"sync"

	"candidacy/internal/protocol"
	"candidacy/testdata/protocols"
)

// FollowUp is the brief protocol with all that follow-up may have: forms, a row of
// yearly visits, contacts, a rule of who is lost, thresholds and limits.
var FollowUp = sync.OnceValue(func() *protocol.Protocol {
	p, err := protocol.Parse([]byte(strings.NewReplacer(
		`version: "brief"`, `version: "brief-follow-up"`,
		"\n# Plausible values of what is reported", followUp+"\n# Plausible values of what is reported",
		"    closes_after_days: 60\n", "    closes_after_days: 60\n"+forms,
	).Replace(protocols.Brief) + questions))
	if err != nil {
		panic("the brief protocol with follow-up is invalid: " + err.Error())
	}
	return p
})

const forms = `    clinical: [[followup-alive], [followup-readmission]]
    laboratory: [["2160-0", "14682-9"], ["9318-7", "14959-1"]]
    further: [["85354-9"], [followup-low-mood]]
    reported: true
`

const followUp = `  - id: yearly
    title: Yearly visit
    after_months: 36
    opens_before_days: 91
    closes_after_days: 91
    repeats_every_months: 12
    laboratory: [["2160-0", "14682-9"]]
    source: common practice

ladder:
  - {id: reminder, title: Send a reminder, days: -60, channel: letter, source: common practice}
  - {id: call, title: Call the donor, days: 0, channel: call, source: common practice}
  - {id: family-doctor, title: Ask the family doctor, days: 30, channel: family-doctor, source: common practice}

lost:
  after_visits: 2
  contact: [reached, refused, family-doctor-answered]
  source: common practice

completeness:
  - {from: "2015-01-01", clinical_percent: 80, laboratory_percent: 70, source: OPTN policy 18.5.A (from memory)}

after_donation:
  low_gfr: 45
  declining_gfr: 60
  decline_per_year: 5
  creatinine_ratio: 1.6
  albumin_mg_per_g: 30
  systolic: 130
  diastolic: 80
  haemoglobin_a1c: 5.7
  source: common practice
  expected_low: 0.65
  expected: 0.68
  expected_high: 0.70
  source_of_expected: common practice
`

const questions = `  - {code: followup-alive, local: true, title: Alive, category: survey, coded: true, yes_no: true}
  - {code: followup-readmission, local: true, title: In hospital again since the last form, category: survey, coded: true, yes_no: true}
  - {code: followup-low-mood, local: true, title: Low mood in the last weeks, category: survey, coded: true, yes_no: true, confidential: true}
`
