package command_test

import (
	"encoding/json"
	"errors"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// good holds an accepted body of each kind.
var good = map[journey.Kind]string{
	journey.Refer:               `{"given":"Quillon","family":"Zephyrwick","birth_date":"1981-03-14","sex":"female","identifier":{"system":"urn:oid:1.2.3","value":"M-1"},"path":"direct","recipient":"R-0001"}`,
	journey.BeginScreening:      `{"contact_consent":true,"duplicate_checked":true}`,
	journey.AssignAdvocate:      `{"advocate":"acc-1","reason":"left the programme"}`,
	journey.RecordConsent:       `{"requirement":"consent-donation","side":"left","note":"at home"}`,
	journey.BeginEvaluation:     `{}`,
	journey.RecordResults:       `{"results":[{"identifier":{"system":"lab","value":"1"},"status":"final","code":{"code":"2160-0"},"quantity":{"value":1.10,"unit":"mg/dL"},"effective":"2026-03-02T08:00:00+01:00"}]}`,
	journey.SignResults:         `{"requirements":["creatinine"],"verdict":"met"}`,
	journey.RecordReview:        `{"requirement":"medical-history","position":"supports"}`,
	journey.WaiveRequirement:    `{"requirement":"acr","until":"2026-12-31","reason":"done elsewhere"}`,
	journey.PresentToCommittee:  `{"note":"first packet"}`,
	journey.RecordDecision:      `{"outcome":"approve","side":"left","seats":["surgeon"]}`,
	journey.Schedule:            `{"date":"2026-12-01","approach":"laparoscopic","side":"left","team":[{"part":"surgeon","account":"acc-1"}]}`,
	journey.CancelOperation:     `{"reason":"abnormal result","cause":"abnormal-result","told":"by-phone","told_on":"2026-11-30","counselling":true}`,
	journey.RecordRecipient:     `{"recipient":"R-1","samples":[{"group":"A","specimen":"S-1","collected":"2026-02-03T08:30:00Z"},{"group":"A","specimen":"S-2","collected":"2026-02-10T08:30:00Z"}]}`,
	journey.ConfirmVerification: `{"birth_date":"1981-03-14","identifier":"M-1","blood_type_first":"O+","blood_type_second":"O positive","side":"left","readings":{"arteries":"1"}}`,
	journey.ConfirmLastCheck:    `{"birth_date":"1981-03-14","identifier":"M-1","blood_type_first":"O+","blood_type_second":"O positive","side":"left"}`,
	journey.ResolveLastCheck:    `{"reason":"band replaced"}`,
	journey.BeginOperation:      ``,
	journey.RecordOperation:     `{"outcome":"removed","side":"left","approach":"laparoscopic"}`,
	journey.AmendOperation:      `{"record":{"outcome":"removed","side":"left","kidney":{"fate":"implanted"}},"replaces":31,"reason":"the fate is known"}`,
	journey.RecordComplication:  `{"complication":"ileus","on":"2026-12-03","treatment":{"other_drugs":"no","intervention":"none"}}`,
	journey.CompleteRecovery:    `{}`,
	journey.RecordVisit:         `{"visit":"week-1","outcome":"seen"}`,
	journey.RecordContact:       `{"visit":"month-6","channel":"call","outcome":"no-answer","on":"2026-12-01","note":"rang twice"}`,
	journey.Close:               `{}`,
	journey.Withdraw:            ` `,
	journey.Hold:                `{"note":"on holiday"}`,
	journey.Resume:              `{}`,
	journey.Decline:             `{"reason":"own decision"}`,
	journey.MoveProtocol:        `{"version":"2027.1","reason":"new glucose limits"}`,
	journey.RecordStay:          `{"discharged":"2026-03-04","last_opioid":"2026-03-05","work":"desk"}`,
	journey.RecordMedicines:     `{"medicines":[{"name":"Tablet","atc":"N02BE01","ingredients":[{"substance":"paracetamol","strength":{"value":500,"unit":"mg"}}],"dose":{"count":2,"times_a_day":4}}],"complete":"yes"}`,
	journey.RecordRisk:          `{"outcome":"kidney-failure","scenario":"without-donation","percent":0.90,"interval":{"low":0.4,"high":1.6,"coverage_percent":95},"horizon_years":15,"model":"Invented projection","model_version":"2.1","source":"Invented tool of a programme","on":"2026-03-02","basis":["a1"]}`,
	journey.GiveDonorLink:       `{"digest":"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08","until":"2027-03-31"}`,
	journey.RevokeDonorLink:     `{"note":"lost the telephone"}`,
	journey.ReportEvent:         `{"event":"dialysis","happened_on":"2026-03-01","aware_at":"2026-03-02T08:00:00.9+01:00","known_to":"ward","note":"x"}`,
	journey.CloseReport:         `{"report":"report-30","reported_at":"2026-03-02T09:00:00+01:00","reference":"SR-114","note":"by phone"}`,
	journey.RetractReport:       `{"report":"report-30","reason":"another person"}`,
	journey.RecordDeath:         `{"died_on":"2026-03-01","note":"x"}`,

	journey.AskQuestion:          `{"question":"Who looks after the children?"}`,
	journey.AnswerQuestion:       `{"question":12,"answer":"A sister, for six weeks."}`,
	journey.RecordWords:          `{"words":"I have thought about it for a year.","agreed":true}`,
	journey.ConfirmDuties:        `{"duties":["duty-explain"],"verdict":"met","on":"2026-03-01"}`,
	journey.GiveQuestionnaire:    `{"questionnaire":"intake","digest":"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08","until":"2026-04-30"}`,
	journey.RevokeQuestionnaire:  `{"note":"Sent to the wrong address."}`,
	journey.AnswerQuestionnaire:  `{"questionnaire":"intake","link":"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08","answers":[{"question":"gout","answer":"no"}]}`,
	journey.AskToStop:            `{"link":"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08","words":"I am not sure any more."}`,
	journey.PlanAppointment:      `{"starts_at":"2026-03-02T09:00:00+01:00","ends_at":"2026-03-02T10:30:00+01:00","requirements":["creatinine"],"place":"Entrance B","with":"Dr. Example","instructions":"Eat nothing."}`,
	journey.MoveAppointment:      `{"appointment":"planned-1","revision":1,"starts_at":"2026-03-03T09:00:00+01:00","ends_at":"2026-03-03T10:30:00+01:00","on":"2026-03-03","requirements":["creatinine"],"place":"Entrance B","reason":"asked for it"}`,
	journey.CancelAppointment:    `{"appointment":"planned-1","revision":2,"reason":"ill"}`,
	journey.CloseAppointment:     `{"appointment":"planned-1","revision":2,"outcome":"attended","note":"x"}`,
	journey.SettleStopWish:       `{"reason":"We talked, and the candidate goes on."}`,
	journey.RecordContactDetails: `{"email":"quillon@example.org","phone":"+46 8 123 45","email_permission":"given"}`,
}

func kinds() []journey.Kind {
	return append(append([]journey.Kind{journey.Refer}, journey.Kinds()...), journey.OwnKinds()...)
}

func TestEveryKindHasABody(t *testing.T) {
	for _, kind := range kinds() {
		raw, ok := good[kind]
		if !ok {
			t.Errorf("there is no example of %s", kind)
			continue
		}
		body, err := command.Decode(kind, []byte(raw))
		if err != nil || body == nil {
			t.Errorf("%s: %v", kind, err)
		}
	}
	// What only the system gives has no body that somebody could send.
	for _, kind := range []journey.Kind{journey.Elapse, journey.EndBackEntry, "dance", ""} {
		if body, err := command.Decode(kind, []byte(`{}`)); err == nil || body != nil || !strings.Contains(err.Error(), "kind: there is no such command (accepted: refer, ") {
			t.Errorf("%s is answered %v", kind, err)
		}
	}
}

// one is a result whose members are replaced: a value of nil removes one.
func one(members map[string]any) string {
	base := map[string]any{
		"identifier": map[string]any{"system": "lab", "value": "1"}, "status": "final", "code": map[string]any{"code": "2160-0"},
		"quantity": map[string]any{"value": 1, "unit": "mg/dL"}, "effective": "2026-03-02T08:00:00+01:00",
	}
	maps.Copy(base, members)
	maps.DeleteFunc(base, func(_ string, v any) bool { return v == nil })
	raw, err := json.Marshal(map[string]any{"results": []any{base}})
	if err != nil {
		panic(err)
	}
	return string(raw)
}

// risk is a body of record-risk whose members are replaced; a value of nil removes
// one.
func risk(members map[string]any) string {
	var base map[string]any
	if err := json.Unmarshal([]byte(good[journey.RecordRisk]), &base); err != nil {
		panic(err)
	}
	maps.Copy(base, members)
	maps.DeleteFunc(base, func(_ string, v any) bool { return v == nil })
	raw, err := json.Marshal(base)
	if err != nil {
		panic(err)
	}
	return string(raw)
}

type object = map[string]any

func TestBadBodies(t *testing.T) {
	with := func(kind journey.Kind, old, replacement string) string {
		if !strings.Contains(good[kind], old) {
			t.Fatalf("%s holds no %q", kind, old)
		}
		return strings.Replace(good[kind], old, replacement, 1)
	}
	long := strings.Repeat("x", 10_001)
	for _, tt := range []struct {
		kind  journey.Kind
		raw   string
		field string
	}{
		{journey.RecordContactDetails, `{}`, "email_permission"},
		{journey.RecordContactDetails, `{"email_permission":"perhaps"}`, "email_permission"},
		{journey.RecordContactDetails, `{"email_permission":"given"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"Quillon <q@example.org>"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"q@example.org\nBcc: x@example.org"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"q@example.org,x@example.org"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"example.org"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"q@localhost"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","email":"` + strings.Repeat("q", 250) + `@example.org"}`, "email"},
		{journey.RecordContactDetails, `{"email_permission":"refused","phone":"1\n2"}`, "phone"},
		{journey.RecordContactDetails, `{"email_permission":"refused","phone":"call me"}`, "phone"},
		{journey.RecordContactDetails, `{"email_permission":"refused","phone":"` + strings.Repeat("1", 41) + `"}`, "phone"},
		{journey.Refer, with(journey.Refer, `"Quillon"`, `""`), "given"},
		{journey.Refer, with(journey.Refer, `"Quillon"`, `"   "`), "given"},
		{journey.Refer, with(journey.Refer, `"Zephyrwick"`, `"`+strings.Repeat("z", 101)+`"`), "family"},
		{journey.Refer, with(journey.Refer, `"Zephyrwick"`, `"Zephyr\u0000wick"`), "family"},
		{journey.Refer, with(journey.Refer, `"Zephyrwick"`, `"Zephyr\u0007wick"`), "family"},
		{journey.Refer, with(journey.Refer, `"Zephyrwick"`, `"\u200b-"`), "family"},
		{journey.Refer, with(journey.Refer, `1981-03-14`, `1981-02-29`), "birth_date"},
		{journey.Refer, with(journey.Refer, `1981-03-14`, `14.03.1981`), "birth_date"},
		{journey.Refer, with(journey.Refer, `"1981-03-14"`, `""`), "birth_date"},
		{journey.Refer, with(journey.Refer, `"1981-03-14"`, `19810314`), "birth_date"},
		{journey.Refer, with(journey.Refer, `"female"`, `"f"`), "sex"},
		{journey.Refer, with(journey.Refer, `"female"`, `null`), "sex"},
		{journey.Refer, with(journey.Refer, `"urn:oid:1.2.3"`, `""`), "identifier.system"},
		{journey.Refer, with(journey.Refer, `"urn:oid:1.2.3"`, `"our hospital"`), "identifier.system"},
		{journey.Refer, with(journey.Refer, `"M-1"`, `""`), "identifier.value"},
		{journey.Refer, with(journey.Refer, `"M-1"`, `1`), "identifier.value"},
		{journey.Refer, with(journey.Refer, `"direct"`, `"indirect"`), "path"},
		{journey.Refer, with(journey.Refer, `"R-0001"`, `""`), "recipient"},
		{journey.Refer, with(journey.Refer, `"R-0001"`, `"the brother, Jon"`), "recipient"},
		{journey.Refer, with(journey.Refer, `"R-0001"`, `"`+strings.Repeat("r", 41)+`"`), "recipient"},
		{journey.Refer, with(journey.Refer, `"given"`, `"first_name"`), "first_name"},
		{journey.BeginScreening, `{}`, "contact_consent"},
		{journey.BeginScreening, `{"contact_consent":true}`, "duplicate_checked"},
		{journey.BeginScreening, `{"contact_consent":"yes","duplicate_checked":true}`, "contact_consent"},
		{journey.BeginScreening, `{"contact_consent":1,"duplicate_checked":true}`, "contact_consent"},
		{journey.AssignAdvocate, `{}`, "advocate"},
		{journey.AssignAdvocate, `{"advocate":"Sunniva Brightwater"}`, "advocate"},
		{journey.AssignAdvocate, `{"advocate":"acc-1","reason":"` + long + `"}`, "reason"},
		{journey.RecordConsent, `{"side":"left"}`, "requirement"},
		{journey.RecordConsent, `{"requirement":"she was very nervous"}`, "requirement"},
		{journey.RecordConsent, `{"requirement":"consent-donation","side":"both"}`, "side"},
		{journey.RecordConsent, `{"requirement":"consent-donation","side":"Left"}`, "side"},
		{journey.RecordConsent, `{"requirement":"consent-donation","note":"` + long + `"}`, "note"},
		{journey.RecordConsent, `{"requirement":"consent-donation","side":"left","side":"right"}`, "side"},
		{journey.RecordConsent, `{"requirement":"consent-donation","side":"left","Side":"right"}`, "Side"},
		{journey.SignResults, `{"verdict":"met"}`, "requirements"},
		{journey.SignResults, `{"requirements":[],"verdict":"met"}`, "requirements"},
		{journey.SignResults, `{"requirements":["acr",""],"verdict":"met"}`, "requirements[1]"},
		{journey.SignResults, `{"requirements":["acr","a long story"],"verdict":"met"}`, "requirements[1]"},
		{journey.SignResults, `{"requirements":"acr","verdict":"met"}`, "requirements"},
		{journey.SignResults, `{"requirements":[` + strings.TrimSuffix(strings.Repeat(`"a",`, 101), ",") + `],"verdict":"met"}`, "requirements"},
		{journey.SignResults, `{"requirements":["acr"]}`, "verdict"},
		{journey.SignResults, `{"requirements":["acr"],"verdict":"good"}`, "verdict"},
		{journey.RecordReview, `{"position":"supports"}`, "requirement"},
		{journey.RecordReview, `{"requirement":"medical-history"}`, "position"},
		{journey.RecordReview, `{"requirement":"medical-history","position":"neutral"}`, "position"},
		{journey.RecordReview, `{"requirement":"medical-history","position":"supports","findings":"` + long + `"}`, "findings"},
		{journey.WaiveRequirement, `{"until":"2026-12-31","reason":"x"}`, "requirement"},
		{journey.WaiveRequirement, `{"requirement":"acr","reason":"x"}`, "until"},
		{journey.WaiveRequirement, `{"requirement":"acr","until":"2026-12-32","reason":"x"}`, "until"},
		{journey.WaiveRequirement, `{"requirement":"acr","until":"2026-12-31","reason":" "}`, "reason"},
		{journey.RecordDecision, `{"side":"left"}`, "outcome"},
		{journey.RecordDecision, `{"outcome":"perhaps"}`, "outcome"},
		{journey.RecordDecision, `{"outcome":"approve"}`, "side"},
		{journey.RecordDecision, `{"outcome":"defer","reason":"x"}`, "re_review_on"},
		{journey.RecordDecision, `{"outcome":"defer","reason":"x","re_review_on":"soon"}`, "re_review_on"},
		{journey.RecordDecision, `{"outcome":"decline"}`, "reason"},
		{journey.RecordDecision, `{"outcome":"approve","side":"left","seats":["the surgeon, by telephone"]}`, "seats[0]"},
		{journey.Schedule, `{}`, "date"},
		{journey.Schedule, `{"date":"2026-02-30"}`, "date"},
		{journey.Schedule, `{"date":"2026-12-01T08:00:00Z"}`, "date"},
		{journey.Schedule, `{"date":"2026-12-01","approach":"by magic"}`, "approach"},
		{journey.Schedule, `{"date":"2026-12-01","side":"both"}`, "side"},
		{journey.Schedule, `{"date":"2026-12-01","team":[{"part":"cook","account":"a"}]}`, "team[0].part"},
		{journey.Schedule, `{"date":"2026-12-01","team":[{"part":"surgeon","account":"Sunniva Brightwater"}]}`, "team[0].account"},
		{journey.Schedule, `{"date":"2026-12-01","team":[{"part":"nurse","account":"a"},{"part":"nurse","account":"a"}]}`, "team[1]"},
		{journey.RecordRecipient, `{}`, "recipient"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"R-1"`, `"Sunniva Brightwater"`), "recipient"},
		{journey.RecordRecipient, `{"recipient":"R-1","samples":[{"group":"A","specimen":"S-1","collected":"2026-02-03T08:30:00Z"}]}`, "samples"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"group":"A"`, `"group":"A positive"`), "samples[0].group"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"S-1"`, `" "`), "samples[0].specimen"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"2026-02-03T08:30:00Z"`, `"2026-02-03"`), "samples[0].collected"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"samples"`, `"anti_a_titre":-8,"samples"`), "anti_a_titre"},
		{journey.RecordRecipient, with(journey.RecordRecipient, `"samples"`, `"incompatible":true,"samples"`), "reason"},
		{journey.ConfirmVerification, with(journey.ConfirmVerification, `"1"}`, `" "}`), "readings.arteries"},
		{journey.ConfirmVerification, with(journey.ConfirmVerification, `"arteries"`, `"How many arteries"`), "readings"},
		{journey.CancelOperation, `{"reason":"x","cause":"bad mood"}`, "cause"},
		{journey.CancelOperation, `{"reason":"x","told":"by letter"}`, "told"},
		{journey.CancelOperation, `{"reason":"x","told":"not-yet","told_on":"2026-11-30"}`, "told_on"},
		{journey.CancelOperation, ``, "reason"},
		{journey.CancelOperation, `{"reason":"\t\n"}`, "reason"},
		{journey.ConfirmLastCheck, `{}`, "birth_date"},
		{journey.ConfirmLastCheck, with(journey.ConfirmLastCheck, `"M-1"`, `""`), "identifier"},
		{journey.ConfirmLastCheck, with(journey.ConfirmLastCheck, `"O+"`, `""`), "blood_type_first"},
		{journey.ConfirmLastCheck, with(journey.ConfirmLastCheck, `"O positive"`, `true`), "blood_type_second"},
		{journey.ConfirmLastCheck, with(journey.ConfirmLastCheck, `"left"`, `""`), "side"},
		{journey.ResolveLastCheck, `{}`, "reason"},
		{journey.RecordOperation, `{}`, "outcome"},
		{journey.RecordOperation, `{"outcome":"removed"}`, "side"},
		{journey.RecordOperation, `{"outcome":"removed","side":"left","approach":"by magic"}`, "approach"},
		{journey.RecordVisit, `{"outcome":"seen"}`, "visit"},
		{journey.RecordVisit, `{"visit":"week-1"}`, "outcome"},
		{journey.RecordVisit, `{"visit":"week-1","outcome":"late"}`, "outcome"},
		{journey.RecordVisit, `{"visit":"week-1","outcome":"seen","on":"yesterday"}`, "on"},
		{journey.RecordVisit, `{"visit":"week-1","outcome":"not-reached","reason_code":"busy"}`, "reason_code"},
		{journey.RecordContact, `{"channel":"call","outcome":"reached"}`, "visit"},
		{journey.RecordContact, `{"visit":"month-6","outcome":"reached"}`, "channel"},
		{journey.RecordContact, `{"visit":"month-6","channel":"call","outcome":"seen"}`, "outcome"},
		{journey.RecordContact, `{"visit":"month-6","channel":"call","outcome":"reached","on":"2026-13-01"}`, "on"},
		{journey.RecordContact, `{"visit":"month-6","channel":"call","outcome":"reached","note":"` + long + `"}`, "note"},
		{journey.Hold, `{"reason":"x"}`, "reason"},
		{journey.RecordStay, `{}`, "body"},
		{journey.RecordStay, `{"note":"well"}`, "body"},
		{journey.RecordStay, `{"discharged":"2026-02-30"}`, "discharged"},
		{journey.RecordStay, `{"work":"idle"}`, "work"},
		{journey.RecordStay, `{"discharged":"2026-03-04T10:00:00Z"}`, "discharged"},
		{journey.RecordStay, `{"withdrawn":["discharged"]}`, "reason"},
		{journey.RecordStay, `{"withdrawn":["work"],"reason":"x"}`, "withdrawn[0]"},
		{journey.RecordStay, `{"withdrawn":["walking"],"walking":"2026-03-04","reason":"x"}`, "withdrawn[0]"},
		{journey.RecordStay, `{"went_home":"2026-03-04"}`, "went_home"},
		{journey.RecordMedicines, `{}`, "complete"},
		{journey.RecordMedicines, `{"complete":"perhaps"}`, "complete"},
		{journey.RecordMedicines, `{"complete":"yes","medicines":[{}]}`, "medicines[0].name"},
		{journey.RecordMedicines, `{"complete":"yes","medicines":[{"name":"A"},{"name":" a "}]}`, "medicines[1].name"},
		{journey.RecordMedicines, `{"complete":"yes","medicines":[{"name":"A","atc":"N02BE"}]}`, "medicines[0].atc"},
		{journey.RecordMedicines, `{"complete":"yes","medicines":[{"name":"A","since":"long ago"}]}`, "medicines[0].since"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `,"dose":{"count":2,"times_a_day":4}`, ``), "medicines[0].dose"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"count":2`, `"count":0`), "medicines[0].dose.count"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"count":2`, `"count":2e1`), "medicines[0].dose.count"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"count":2`, `"count":101`), "medicines[0].dose.count"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"times_a_day":4`, `"times_a_day":2.5`), "medicines[0].dose.times_a_day"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"times_a_day":4`, `"times_a_day":25`), "medicines[0].dose.times_a_day"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"unit":"mg"`, `"unit":"tablet"`), "medicines[0].ingredients[0].strength.unit"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"value":500`, `"value":-500`), "medicines[0].ingredients[0].strength.value"},
		{journey.RecordMedicines, with(journey.RecordMedicines, `"substance":"paracetamol"`, `"substance":"hope"`), "medicines[0].ingredients[0].substance"},
		{journey.GiveDonorLink, `{"until":"2027-03-31"}`, "digest"},
		{journey.GiveDonorLink, with(journey.GiveDonorLink, `9f86`, `9F86`), "digest"},
		{journey.GiveDonorLink, with(journey.GiveDonorLink, `2027-03-31`, `soon`), "until"},
		{journey.Hold, `{"note":["x"]}`, "note"},
		{journey.Withdraw, `{"note":"` + long + `"}`, "note"},
		{journey.Decline, `{"reason":""}`, "reason"},
		{journey.RecordResults, `{}`, "results"},
		{journey.RecordResults, `{"results":[]}`, "results"},
		{journey.RecordRisk, risk(object{"outcome": "luck"}), "outcome"},
		{journey.RecordRisk, risk(object{"outcome": "other"}), "outcome_text"},
		{journey.RecordRisk, risk(object{"outcome_text": "x"}), "outcome_text"},
		{journey.RecordRisk, risk(object{"scenario": nil}), "scenario"},
		{journey.RecordRisk, risk(object{"percent": nil}), "percent"},
		{journey.RecordRisk, risk(object{"percent": 100.1}), "percent"},
		{journey.RecordRisk, risk(object{"percent": -1}), "percent"},
		{journey.RecordRisk, risk(object{"percent": json.Number("1e1")}), "percent"},
		{journey.RecordRisk, risk(object{"percent": 1.7}), "interval"},
		{journey.RecordRisk, risk(object{"interval": object{"low": 0.4}}), "interval.high"},
		{journey.RecordRisk, risk(object{"interval": object{"low": 0.4, "high": 1, "coverage_percent": 950}}), "interval.coverage_percent"},
		{journey.RecordRisk, risk(object{"horizon_years": nil}), "horizon_years"},
		{journey.RecordRisk, risk(object{"horizon_years": 81}), "horizon_years"},
		{journey.RecordRisk, risk(object{"lifetime": true}), "horizon_years"},
		{journey.RecordRisk, risk(object{"model": " "}), "model"},
		{journey.RecordRisk, risk(object{"model": "a\nb"}), "model"},
		{journey.RecordRisk, risk(object{"model_version": nil}), "model_version"},
		{journey.RecordRisk, risk(object{"source": strings.Repeat("x", 301)}), "source"},
		{journey.RecordRisk, risk(object{"obtained_by": "a b"}), "obtained_by"},
		{journey.RecordRisk, risk(object{"on": "2026-02-30"}), "on"},
		{journey.RecordRisk, risk(object{"basis": []any{"a1", "a1"}}), "basis[1]"},
		{journey.RecordRisk, risk(object{"replaces": -1}), "replaces"},
		{journey.RecordRisk, risk(object{"replaces": 3}), "reason"},
		{journey.RecordRisk, risk(object{"entered_in_error": true, "reason": "x"}), "replaces"},
		{journey.RecordRisk, risk(object{"note": long}), "note"},
		{journey.RecordResults, one(object{"specimen_type": object{"display": "Serum"}}), "results[0].specimen_type.code"},
		{journey.RecordResults, one(object{"performer": long}), "results[0].performer"},
		{journey.RecordResults, one(object{"order": "a\u0000"}), "results[0].order"},
		{journey.RecordResults, one(object{"note": long}), "results[0].note"},
		{journey.RecordResults, one(object{"reference_range": object{}}), "results[0].reference_range"},
		{journey.RecordResults, one(object{"reference_range": object{"low": object{"value": 0.5}}}), "results[0].reference_range.low.unit"},
		{journey.RecordResults, one(object{"reference_range": object{"high": object{"value": 1, "unit": "mg/dL", "comparator": "<"}}}), "results[0].reference_range.high.comparator"},
		{journey.RecordResults, one(object{"reference_range": object{"text": long}}), "results[0].reference_range.text"},
		{journey.RecordResults, one(object{"interpretation": []any{"H", "high"}}), "results[0].interpretation[1]"},
		{journey.RecordResults, one(object{"members": []any{object{"system": "lab", "value": "2"}}}), "results[0].value"},
		{journey.RecordResults, one(object{"quantity": nil, "members": []any{object{"system": "lab"}}}), "results[0].members[0].value"},
		{journey.RecordResults, one(object{"quantity": nil, "members": []any{object{"system": "lab", "value": "1"}}}), "results[0].members[0]"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab"}}}), "results[0].report.identifier.value"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab", "value": "r"}, "status": "done"}}), "results[0].report.status"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab", "value": "r"}, "code": object{"display": "CBC"}}}), "results[0].report.code.code"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab", "value": "r"}, "category": "x-ray"}}), "results[0].report.category"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab", "value": "r"}, "issued": "today"}}), "results[0].report.issued"},
		{journey.RecordResults, one(object{"report": object{"identifier": object{"system": "lab", "value": "r"}, "conclusion": long}}), "results[0].report.conclusion"},
		{journey.RecordResults, `{"results":[` + strings.TrimSuffix(strings.Repeat(`{},`, 501), ",") + `]}`, "results"},
		{journey.RecordResults, one(object{"identifier": nil}), "results[0].identifier.system"},
		{journey.RecordResults, one(object{"identifier": object{"system": "lab"}}), "results[0].identifier.value"},
		{journey.RecordResults, one(object{"identifier": object{"system": "lab", "value": "a\u0000b"}}), "results[0].identifier.value"},
		{journey.RecordResults, one(object{"status": nil}), "results[0].status"},
		{journey.RecordResults, one(object{"status": "done"}), "results[0].status"},
		{journey.RecordResults, one(object{"category": "gossip"}), "results[0].category"},
		{journey.RecordResults, one(object{"code": object{"display": "Creatinine"}}), "results[0].code.code"},
		{journey.RecordResults, one(object{"code": object{"code": "2160-0", "display": "x\u0000"}}), "results[0].code.display"},
		{journey.RecordResults, one(object{"quantity": nil}), "results[0].value"},
		{journey.RecordResults, one(object{"text": "also"}), "results[0].value"},
		{journey.RecordResults, one(object{"coded": object{"code": "x"}}), "results[0].value"},
		{journey.RecordResults, one(object{"quantity": object{"unit": "mg/dL"}}), "results[0].quantity.value"},
		{journey.RecordResults, one(object{"quantity": object{"value": 1}}), "results[0].quantity.unit"},
		{journey.RecordResults, one(object{"quantity": object{"value": 1, "unit": "mg/dL", "comparator": "~"}}), "results[0].quantity.comparator"},
		{journey.RecordResults, one(object{"quantity": object{"value": 1, "unit": "mg/dL", "precision": 2}}), "precision"},
		{journey.RecordResults, one(object{"quantity": nil, "coded": object{}}), "results[0].coded"},
		{journey.RecordResults, one(object{"quantity": nil, "components": []any{object{"code": object{}, "value": object{"text": "x"}}}}), "results[0].components[0].code.code"},
		{journey.RecordResults, one(object{"quantity": nil, "components": []any{object{"code": object{"code": "x"}}}}), "results[0].components[0].value"},
		{journey.RecordResults, one(object{"quantity": nil, "components": []any{object{"code": object{"code": "x"}, "value": object{"quantity": object{"value": 1}}}}}), "results[0].components[0].value.quantity.unit"},
		{journey.RecordResults, one(object{"effective": nil}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-03"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-03-02T08:00:00"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-03-02T8:00:00Z"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-03-02T08:00:00,5Z"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-03-02T08:00:00+23:00"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective": "2026-02-30"}), "results[0].effective"},
		{journey.RecordResults, one(object{"effective_end": "2026-03-02T07:00:00+01:00"}), "results[0].effective_end"},
		{journey.RecordResults, one(object{"effective_end": "2026-03-02T08:00:00+01:00"}), "results[0].effective_end"},
		{journey.RecordResults, one(object{"issued": "yesterday"}), "results[0].issued"},
		{journey.RecordResults, one(object{"specimen": "a\u0000"}), "results[0].specimen"},
		{journey.RecordResults, one(object{"method": long}), "results[0].method"},
		{journey.RecordResults, one(object{"body_site": long}), "results[0].body_site"},
		{journey.RecordResults, `{"results":[` + strings.TrimSuffix(strings.Repeat(strings.TrimSuffix(strings.TrimPrefix(one(nil), `{"results":[`), `]}`)+",", 2), ",") + `]}`, "results[1].identifier"},
		{journey.RecordResults, `{"results":[{"status":"preliminary","status":"final"}]}`, "results[0].status"},
	} {
		body, err := command.Decode(tt.kind, []byte(tt.raw))
		var invalid *command.Invalid
		if !errors.As(err, &invalid) {
			t.Errorf("%s was accepted: %.200s as %+v", tt.kind, tt.raw, body)
			continue
		}
		if !slices.ContainsFunc(invalid.Faults, func(f command.Fault) bool { return f.Field == tt.field }) {
			t.Errorf("%s: %.200s is refused with %v, want the field %s", tt.kind, tt.raw, err, tt.field)
		}
		if !strings.Contains(err.Error(), tt.field+": ") {
			t.Errorf("the message %q does not name %s", err.Error(), tt.field)
		}
	}
}

// TestMalformedBodies can't be read at all; the message shows none of them.
func TestMalformedBodies(t *testing.T) {
	big := `{"note":"` + strings.Repeat("x", command.MaxBytes) + `"}`
	for _, raw := range []string{
		`{`, `}`, `{"note":`, `{"note":"x"`, `{"note":"x"} {}`, `{"note":"x"}x`, `{"note":"x"},`, `null`, `[]`, `"text"`, `42`, `true`,
		`{"note":'x'}`, `{note:"x"}`, `{"note":"x",}`, `{"note":"` + "\xff" + `"}`, "\xef\xbb\xbf{}", `{"pemberwhistle":1}`, big,
		strings.Repeat("[", 100_000), `{"note":"x","note":"y"}`, `{"note":"x","NOTE":"y"}`, `{"note":5}`, `// {}`,
	} {
		_, err := command.Decode(journey.Hold, []byte(raw))
		var invalid *command.Invalid
		if !errors.As(err, &invalid) || !invalid.Malformed || len(invalid.Faults) != 1 {
			t.Errorf("%.40s is answered %v", raw, err)
			continue
		}
		if len(err.Error()) > 200 {
			t.Errorf("%.40s is answered with %d letters", raw, len(err.Error()))
		}
	}
	if _, err := command.Decode(journey.Hold, []byte(`{"note":"`+strings.Repeat(`\u000a`, 9)+`x"} `)); err != nil {
		t.Errorf("lines and a blank at the end are refused: %v", err)
	}
}

func TestRepeated(t *testing.T) {
	for raw, want := range map[string]string{
		`{"a":1,"b":{"a":1},"c":[{"a":1},{"a":1}]}`: "", `{}`: "", `[]`: "", `"a"`: "", `{"a":"a","b":"a"}`: "", `[["a","a"],{"a":["a","a"]}]`: "",
		`{"a":1,"a":1}`: "a", `{"a":1,"A":1}`: "A", `{"a":{"b":1,"c":[],"b":2}}`: "a.b", `{"a":[{},{"b":1,"b":1}]}`: "a[1].b",
		`{"a":[[1,2],[{"x":1,"x":1}]]}`: "a[1][0].x", `{"a":1,"\u0061":2}`: "a", `{"a":{"a":1},"b":{},"a":3}`: "a",
	} {
		if got, repeated := command.Repeated([]byte(raw)); got != want || repeated != (want != "") {
			t.Errorf("%s: %q, %t, want %q", raw, got, repeated, want)
		}
	}
}

// TestCanonical: the hash is of what is asked, by whom, and not of how it is
// written; it is the same on every machine and in every version.
func TestCanonical(t *testing.T) {
	hash := func(kind journey.Kind, actor, raw string) string {
		t.Helper()
		body, err := command.Decode(kind, []byte(raw))
		if err != nil {
			t.Fatal(err)
		}
		canonical, sum, err := command.Canonical(kind, actor, body)
		if err != nil {
			t.Fatal(err)
		}
		again, err := command.Decode(kind, canonical)
		if err != nil {
			t.Fatalf("the canonical form %s is refused: %v", canonical, err)
		}
		if _, second, err := command.Canonical(kind, actor, again); err != nil || second != sum {
			t.Errorf("read again it hashes to %s, %v, want %s", second, err, sum)
		}
		return sum
	}
	base := hash(journey.RecordConsent, "acc-1", `{"requirement":"consent-donation","side":"left"}`)
	// Computed with sha256sum over kind, actor and body, a line each.
	if want := "e7eaffc5d9443334bb869e2ac8d5d4253be534000f121309dab07ecb84c1f61b"; base != want {
		t.Errorf("the hash is %s, want %s", base, want)
	}
	if got := hash(journey.RecordConsent, "acc-1", "{ \"side\" : \"left\",\n\"note\":\"\", \"requirement\":\"consent-donation\"}"); got != base {
		t.Error("the order of the members changes the hash")
	}
	others := map[string]string{
		"another side":  hash(journey.RecordConsent, "acc-1", `{"requirement":"consent-donation","side":"right"}`),
		"another actor": hash(journey.RecordConsent, "acc-2", `{"requirement":"consent-donation","side":"left"}`),
		"a note":        hash(journey.RecordConsent, "acc-1", `{"requirement":"consent-donation","side":"left","note":"x"}`),
		"a hold":        hash(journey.Hold, "acc-1", `{}`),
		"a resumption":  hash(journey.Resume, "acc-1", `{}`),
		"1":             hash(journey.RecordResults, "acc-1", one(nil)),
		"1.0":           hash(journey.RecordResults, "acc-1", strings.Replace(one(nil), `"value":1}`, `"value":1.0}`, 1)),
		"1.00":          hash(journey.RecordResults, "acc-1", strings.Replace(one(nil), `"value":1}`, `"value":1.00}`, 1)),
	}
	seen := map[string]string{base: "the base"}
	for name, sum := range others {
		if before, ok := seen[sum]; ok {
			t.Errorf("%s hashes as %s does", name, before)
		}
		seen[sum] = name
	}
	for _, kind := range kinds() {
		hash(kind, "acc-1", good[kind])
	}
}

// fill sets every text and switch of a body, however deep. Members that hold
// the id of something get the id.
func fill(v reflect.Value, text, id string, isID bool) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), text, id, isID)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), text, id, slices.Contains(ids, v.Type().Field(i).Name))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			fill(v.Index(i), text, id, isID)
		}
	case reflect.Map:
		// A map goes from an id to what was seen of it.
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(reflect.ValueOf(id), reflect.ValueOf(id))
	case reflect.String:
		v.SetString(text)
		if isID {
			v.SetString(id)
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(1981)
	case reflect.Float64:
		v.SetFloat(1981)
	default:
		panic("a body holds a " + v.Kind().String() + ": teach the test to fill it")
	}
}

// ids are the members that name something the process knows.
var ids = []string{"Approach", "Requirement", "Requirements", "Disclosures", "Duties", "Advocate", "Visit", "Meeting", "Before", "Due", "Signer", "Seats", "Side", "Outcome", "Verdict", "Position", "Date", "Until", "ReReviewOn", "Version", "Event", "Report", "KnownTo", "HappenedOn", "DiedOn", "On", "ReasonCode", "Channel"}

// TestOnlyCodesReachTheProcess fills every body with words told in confidence.
// Not one of them may be in what goes to the engine's history: a sentence from
// nowhere, not even when the body was never checked, and a single word from no
// member but those that hold an id.
func TestOnlyCodesReachTheProcess(t *testing.T) {
	const word = "pemberwhistle"
	for _, kind := range kinds() {
		for _, with := range []struct{ text, id string }{
			{word + " was told in confidence", word + " was told in confidence"}, {word, "2026-12-01"}, {"1981-03-14", "some-id"},
		} {
			body, ok := command.New(kind)
			if !ok {
				t.Fatalf("there is no body of %s", kind)
			}
			fill(reflect.ValueOf(body).Elem(), with.text, with.id, false)
			var c journey.Command
			body.Code(&c)
			raw, err := json.Marshal(c)
			if err != nil {
				t.Fatal(err)
			}
			for _, told := range []string{word, "confidence", "1981"} {
				if strings.Contains(string(raw), told) {
					t.Errorf("%s lets %q reach the process: %s", kind, told, raw)
				}
			}
		}
	}
}

// TestWhatIsCoded: the process gets what it needs.
func TestWhatIsCoded(t *testing.T) {
	for _, tt := range []struct {
		kind journey.Kind
		raw  string
		want journey.Command
	}{
		{journey.AssignAdvocate, good[journey.AssignAdvocate], journey.Command{Person: "acc-1", Reasoned: true}},
		{journey.AssignAdvocate, `{"advocate":"acc-1","reason":" "}`, journey.Command{Person: "acc-1"}},
		{journey.RecordConsent, good[journey.RecordConsent], journey.Command{Requirement: "consent-donation", Side: journey.Left}},
		{journey.ConfirmDuties, good[journey.ConfirmDuties], journey.Command{Items: []string{"duty-explain"}, Verdict: journey.VerdictMet, On: "2026-03-01"}},
		{journey.ConfirmDuties, `{"duties":["duty-gain"],"verdict":"not-met","reason":"not yet"}`, journey.Command{Items: []string{"duty-gain"}, Verdict: journey.VerdictNotMet, Reasoned: true}},
		{journey.Hold, `{"cause":"pressure","note":"x"}`, journey.Command{}},
		{journey.Withdraw, `{"note":"x","witness":"acc-2"}`, journey.Command{}},
		{journey.SignResults, `{"requirements":["acr","hba1c"],"verdict":"not-met","reason":"x"}`, journey.Command{Requirements: []string{"acr", "hba1c"}, Verdict: journey.VerdictNotMet, Reasoned: true}},
		{journey.RecordReview, `{"requirement":"medical-history","position":"concerns","findings":"x"}`, journey.Command{Requirement: "medical-history", Position: journey.Concerns, Reasoned: true}},
		{journey.WaiveRequirement, good[journey.WaiveRequirement], journey.Command{Requirement: "acr", On: "2026-12-31", Reasoned: true}},
		{journey.RecordDecision, `{"outcome":"defer","re_review_on":"2026-12-31","seats":["surgeon"],"reason":"x"}`, journey.Command{Outcome: journey.Defer, On: "2026-12-31", Seats: []string{"surgeon"}, Reasoned: true}},
		{journey.RecordDecision, good[journey.RecordDecision], journey.Command{Outcome: journey.Approve, Side: journey.Left, Seats: []string{"surgeon"}}},
		{journey.Schedule, good[journey.Schedule], journey.Command{On: "2026-12-01", Approach: "laparoscopic", Side: journey.Left}},
		{journey.RecordRecipient, good[journey.RecordRecipient], journey.Command{}},
		{journey.ConfirmVerification, good[journey.ConfirmVerification], journey.Command{}},
		{journey.CancelOperation, good[journey.CancelOperation], journey.Command{Reasoned: true}},
		{journey.RecordOperation, good[journey.RecordOperation], journey.Command{Outcome: journey.Removed, Side: journey.Left}},
		{journey.RecordOperation, whole(nil), journey.Command{Outcome: journey.Removed, Side: journey.Left, Fate: journey.FateImplanted}},
		{journey.AmendOperation, good[journey.AmendOperation], journey.Command{Outcome: journey.Removed, Side: journey.Left, Fate: journey.FateImplanted, Reasoned: true}},
		{journey.RecordComplication, good[journey.RecordComplication], journey.Command{On: "2026-12-03"}},
		{journey.RecordVisit, good[journey.RecordVisit], journey.Command{Visit: "week-1", Outcome: journey.Seen}},
		{journey.RecordVisit, `{"visit":"year-1","outcome":"not-reached","on":"2026-12-01","reason_code":"moved"}`, journey.Command{Visit: "year-1", Outcome: journey.NotReached, On: "2026-12-01", ReasonCode: journey.ReasonMoved}},
		{journey.RecordContact, good[journey.RecordContact], journey.Command{Visit: "month-6", Channel: "call", Outcome: journey.NoAnswer, On: "2026-12-01"}},
		{journey.Decline, good[journey.Decline], journey.Command{Reasoned: true}},
		{journey.MoveProtocol, good[journey.MoveProtocol], journey.Command{Version: "2027.1", Reasoned: true}},
		{journey.ReportEvent, good[journey.ReportEvent], journey.Command{Event: "dialysis", On: "2026-03-01", Moment: "2026-03-02T07:00:00Z", Person: "ward"}},
		{journey.CloseReport, good[journey.CloseReport], journey.Command{Report: "report-30", Moment: "2026-03-02T08:00:00Z"}},
		{journey.RetractReport, good[journey.RetractReport], journey.Command{Report: "report-30", Reasoned: true}},
		{journey.RecordDeath, good[journey.RecordDeath], journey.Command{On: "2026-03-01"}},
		{journey.ConfirmLastCheck, good[journey.ConfirmLastCheck], journey.Command{}},
		{journey.Refer, good[journey.Refer], journey.Command{}},
		{journey.RecordResults, good[journey.RecordResults], journey.Command{}},
		{journey.Hold, good[journey.Hold], journey.Command{}},
		{journey.RecordStay, good[journey.RecordStay], journey.Command{}},
		{journey.RecordStay, `{"walking":"2026-03-04","reason":"x"}`, journey.Command{Reasoned: true}},
		{journey.RecordMedicines, good[journey.RecordMedicines], journey.Command{}},
		{journey.GiveDonorLink, good[journey.GiveDonorLink], journey.Command{On: "2027-03-31"}},
	} {
		body, err := command.Decode(tt.kind, []byte(tt.raw))
		if err != nil {
			t.Fatal(err)
		}
		var c journey.Command
		body.Code(&c)
		if !reflect.DeepEqual(c, tt.want) {
			t.Errorf("%s: the process gets %+v, want %+v", tt.kind, c, tt.want)
		}
	}
}

func TestResultsOfTheFuture(t *testing.T) {
	zone := time.FixedZone("test", 3600)
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, zone)
	for _, tt := range []struct {
		effective, end string
		want           []string
	}{
		{"2026-03-02T12:00:00+01:00", "", nil}, {"2026-03-02T12:00:01+01:00", "", []string{"results[0].effective"}},
		{"2026-03-02T11:30:00Z", "", []string{"results[0].effective"}}, {"2026-03-02", "", nil}, {"2026-03-03", "", []string{"results[0].effective"}},
		{"2026-03-01T12:00:00+01:00", "2026-03-03T12:00:00+01:00", []string{"results[0].effective_end"}},
		{"2026-03-04T12:00:00+01:00", "2026-03-05T12:00:00+01:00", []string{"results[0].effective", "results[0].effective_end"}},
	} {
		body := &command.RecordResults{Results: []command.Result{{Effective: tt.effective, EffectiveEnd: tt.end}}}
		var faults command.Faults
		body.Future(&faults, now, zone)
		var fields []string
		var invalid *command.Invalid
		if errors.As(faults.Err(), &invalid) {
			for _, f := range invalid.Faults {
				fields = append(fields, f.Field)
			}
		}
		if !slices.Equal(fields, tt.want) {
			t.Errorf("%s to %s: %v, want %v", tt.effective, tt.end, fields, tt.want)
		}
	}
}

func TestRecord(t *testing.T) {
	stockholm, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	r := command.Result{
		Identifier: result.Identifier{System: "lab", Value: "1"}, Status: result.Final, Code: result.Coding{Code: "2160-0"},
		Quantity: &result.Quantity{Value: "1.10", Unit: "mg/dL"}, Effective: "2026-03-01T23:30:00Z",
	}
	out := r.Record("id", 3, stockholm)
	// Half past midnight of the next day where the programme is.
	if out.CollectedOn != "2026-03-02" || out.Effective != r.Effective || out.Version != 3 || out.ID != "id" ||
		out.Code.System != command.LOINC || out.Category != "laboratory" || out.Value.Quantity.Value != "1.10" {
		t.Errorf("recorded is %+v", out)
	}
	r.Effective, r.Category, r.Code.System = "2026-03-01", "vital-signs", "urn:x"
	other := r.Record("id", 4, stockholm)
	if other.CollectedOn != "2026-03-01" || other.Category != "vital-signs" || other.Code.System != "urn:x" {
		t.Errorf("recorded is %+v", other)
	}
	if command.SameContent(out, other) || !command.SameContent(other, r.Record("id", 5, stockholm)) {
		t.Error("only the version does not count for the content")
	}
}

// FuzzDecode: any text ends as a body that was checked, or as an error that
// lists its faults. What is accepted has a canonical form that is accepted too,
// and lets no sentence through to the process.
func FuzzDecode(f *testing.F) {
	for i, kind := range kinds() {
		f.Add(uint8(i), good[kind])
	}
	f.Add(uint8(5), one(object{"quantity": object{"value": 1e300, "unit": "mg/dL", "comparator": "<"}}))
	f.Add(uint8(0), `{"given":"\ud800"}`)
	f.Fuzz(func(t *testing.T, n uint8, raw string) {
		kind := kinds()[int(n)%len(kinds())]
		body, err := command.Decode(kind, []byte(raw))
		if err != nil {
			var invalid *command.Invalid
			if !errors.As(err, &invalid) || len(invalid.Faults) == 0 {
				t.Fatalf("%s: %q is answered %v", kind, raw, err)
			}
			return
		}
		canonical, hash, err := command.Canonical(kind, "actor", body)
		if err != nil {
			t.Fatal(err)
		}
		again, err := command.Decode(kind, canonical)
		if err != nil {
			t.Fatalf("%s: the canonical form %s is refused: %v", kind, canonical, err)
		}
		if _, second, err := command.Canonical(kind, "actor", again); err != nil || second != hash {
			t.Fatalf("%s: %s hashes to %s, then to %s", kind, canonical, hash, second)
		}
		var c journey.Command
		body.Code(&c)
		coded, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		if strings.ContainsAny(strings.ReplaceAll(string(coded), `","`, ""), " \\") {
			t.Fatalf("%s: the process gets %s", kind, coded)
		}
	})
}
