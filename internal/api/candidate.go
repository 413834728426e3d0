package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

// candidate is everything about one candidate that the reader may see.
type candidate struct {
	summary
	Path     string `json:"path"`
	Protocol string `json:"protocol"`
	// Recipient is shown to coordinators only.
	Recipient string `json:"recipient,omitempty"`
	// Identity is shown to those who must be sure whom they have before them.
	Identity     *identity          `json:"identity,omitempty"`
	State        state              `json:"state"`
	Requirements []requirement      `json:"requirements"`
	Flags        []protocol.Flag    `json:"flags"`
	Results      []result.Result    `json:"results"`
	Deadlines    []journey.Deadline `json:"deadlines"`
	// Countdown says what a planned operation still needs.
	Countdown []protocol.Countdown `json:"countdown,omitempty"`
	// Recovery is the dated plan of whoever has donated.
	Recovery []recovery.Line `json:"recovery,omitempty"`
	// Medicines are what is taken, for the care team.
	Medicines *medicineList `json:"medicines,omitempty"`
	// Risks are those that somebody obtained outside, for the care team.
	Risks []riskView `json:"risks,omitempty"`
	// Allowed lists the commands that the reader's role may give now.
	Allowed []journey.Kind `json:"allowed"`
	// Operation is there once something of it is on record.
	Operation *operationView `json:"operation,omitempty"`
	Timeline  []moment       `json:"timeline"`
}

type identity struct {
	BirthDate  journey.Date      `json:"birth_date"`
	Sex        string            `json:"sex"`
	Identifier result.Identifier `json:"identifier"`
	// Contact is where the candidate may be written to, once somebody asked.
	Contact *command.ContactDetails `json:"contact,omitempty"`
}

// state is the process as it stands, without what is shown elsewhere.
type state struct {
	Stage     journey.Stage     `json:"stage"`
	Resume    journey.Stage     `json:"resume,omitempty"`
	Since     journey.Date      `json:"since"`
	Seq       int64             `json:"seq"`
	BackEntry bool              `json:"back_entry,omitempty"`
	BloodType journey.Agreement `json:"blood_type"`
	Advocate  string            `json:"advocate,omitempty"`
	Decision  *journey.Decision `json:"decision,omitempty"`
	Planned   journey.Date      `json:"planned,omitempty"`
	Approach  journey.Approach  `json:"approach,omitempty"`
	Cancelled journey.Date      `json:"cancelled,omitempty"`
	LastCheck journey.LastCheck `json:"last_check"`
	// Appointments are the visits that were planned before the operation.
	Appointments []journey.Appointment `json:"appointments,omitempty"`
	// Verification is the check by two people in the days before the operation.
	Verification   *journey.LastCheck `json:"verification,omitempty"`
	RecipientTyped bool               `json:"recipient_typed,omitempty"`
	Operated       journey.Date       `json:"operated,omitempty"`
	Outcome        journey.Outcome    `json:"outcome,omitempty"`
	Visits         []journey.Visit    `json:"visits,omitempty"`
	// DonorLink is the last day of the link to the own page.
	DonorLink journey.Date `json:"donor_link,omitempty"`
	Reports   []report     `json:"reports,omitempty"`
	Died      journey.Date `json:"died,omitempty"`
}

// requirement is the state of one requirement with what the protocol says.
type requirement struct {
	ID         string           `json:"id"`
	Title      string           `json:"title"`
	Domain     string           `json:"domain"`
	Gate       journey.Gate     `json:"gate"`
	Evidence   journey.Evidence `json:"evidence"`
	Signer     journey.Role     `json:"signer,omitempty"`
	Status     journey.Status   `json:"status"`
	InForce    bool             `json:"in_force"`
	Collected  journey.Date     `json:"collected,omitempty"`
	ValidUntil journey.Date     `json:"valid_until,omitempty"`
	SignedBy   string           `json:"signed_by,omitempty"`
	SignedOn   journey.Date     `json:"signed_on,omitempty"`
	Position   journey.Position `json:"position,omitempty"`
	// Due is the last day of a condition of an approval.
	Due journey.Date `json:"due,omitempty"`
	// Fingerprint identifies the results that the status stands on. Whoever signs
	// sends it back as evidence of what they saw.
	Fingerprint string `json:"fingerprint,omitempty"`
	// Awaiting is a first signature where the protocol wants two.
	Awaiting *journey.Countersignature `json:"awaiting,omitempty"`
}

var seeIdentity = []journey.Role{journey.Coordinator, journey.Clinician}

// candidate answers GET /candidates/{id}.
func (s *server) candidate(c echo.Context) error {
	found, err := s.find(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	entries, err := s.Store.Entries(ctx, found.ID)
	if err != nil {
		return err
	}
	reader := readerOf(access.From(c))
	var texts map[string]string
	if reader.ReadsCare() {
		if texts, err = activities.ConditionTexts(entries); err != nil {
			return err
		}
	}
	p = p.WithConditions(found.State.Imposed, texts)
	answer := candidate{
		Path: found.Path, Protocol: found.Protocol, State: stateOf(found.State),
		Requirements: requirements(reader, found.State, p, journey.DateOf(s.Now(), p.Zone())),
		Deadlines:    orEmpty(journey.Deadlines(p.Rules(), found.State)),
		Allowed:      orEmpty(journey.Allowed(found.State.Stage, reader.Role)),
	}
	if found.State.Stage.BeforeOperation() {
		answer.Countdown = p.Countdown(found.State, journey.DateOf(s.Now(), p.Zone()))
	}
	answer.State.Reports = reportsOf(p, found.State, journey.InstantOf(s.Now()))
	if answer.summary, err = s.summary(ctx, reader, found); err != nil {
		return err
	}
	if answer.Flags, err = flags(found.Flags); err != nil {
		return err
	}
	answer.Flags = orEmpty(reader.Flags(p, answer.Flags))
	results, err := s.Store.Results(ctx, found.ID)
	if err != nil {
		return err
	}
	answer.Results = orEmpty(reader.Results(p, results, entries))
	course, err := operation.Of(entries)
	if err != nil {
		return err
	}
	if answer.Operation, err = operationOf(reader, p, found.State, course, answer.Results); err != nil {
		return err
	}
	if answer.Timeline, err = timeline(reader, p, entries); err != nil {
		return err
	}
	today := journey.DateOf(s.Now(), p.Zone())
	if _, answer.Recovery, err = RecoveryPlan(p, found.State, entries, today); err != nil {
		return err
	}
	medicines, notes, err := reader.Medicines(p, found.State, entries, results)
	if err != nil {
		return err
	}
	if medicines.On != "" {
		medicines.Current = orEmpty(medicines.Current)
		answer.Medicines = &medicineList{medicines, orEmpty(notes)}
	}
	risks, err := reader.Risks(entries)
	if err != nil {
		return err
	}
	for _, r := range risks {
		answer.Risks = append(answer.Risks, riskView{r.RecordRisk, r.Seq, r.By, r.At})
	}
	if reader.SeesRecipient() {
		answer.Recipient = found.Recipient
	}
	if slices.Contains(seeIdentity, reader.Role) {
		answer.Identity = identityOf(found.Identity)
		answer.Identity.Contact = contactOf(found.Contact)
	}
	return reply(c, http.StatusOK, answer)
}

func identityOf(i record.Identity) *identity {
	return &identity{BirthDate: i.BirthDate, Sex: i.Sex, Identifier: i.Identifier}
}

// contactOf is nil while nobody has asked for any details.
func contactOf(c record.Contact) *command.ContactDetails {
	if c == (record.Contact{}) {
		return nil
	}
	return &command.ContactDetails{Email: c.Email, Phone: c.Phone, EmailPermission: c.Permission}
}

func stateOf(s journey.State) state {
	var verification *journey.LastCheck
	if s.Verification != (journey.LastCheck{}) {
		verification = &s.Verification
	}
	return state{
		Approach: s.Approach, Cancelled: s.Cancelled, Verification: verification, RecipientTyped: s.RecipientTyped,
		Stage: s.Stage, Resume: s.Resume, Since: s.Since, Seq: s.Seq, BackEntry: s.BackEntry, BloodType: s.BloodType,
		Advocate: s.Advocate, Decision: s.Decision, Planned: s.Planned, LastCheck: s.LastCheck,
		Operated: s.Operated, Outcome: s.Outcome, Visits: s.Visits, DonorLink: s.DonorLink, Died: s.Died, Appointments: s.Appointments,
	}
}

func requirements(reader Reader, s journey.State, p *protocol.Protocol, today journey.Date) []requirement {
	list := make([]requirement, len(s.Requirements))
	for i, r := range s.Requirements {
		rule, _ := p.Find(r.ID)
		r, _ := reader.Requirement(p, r)
		list[i] = requirement{
			ID: r.ID, Title: rule.Title, Domain: rule.Domain, Gate: rule.Gate, Evidence: rule.Evidence, Signer: rule.Signer,
			Status: r.Status, InForce: r.InForce(today), Collected: r.Collected, ValidUntil: r.ValidUntil,
			SignedBy: r.SignedBy, SignedOn: r.SignedOn, Position: r.Position, Awaiting: r.Awaiting,
		}
		for _, imposed := range s.Imposed {
			if imposed.ID == r.ID {
				list[i].Due = imposed.Due
			}
		}
		if rule.Evidence == journey.ByResult {
			list[i].Fingerprint = r.Evidence
		}
	}
	return list
}

func flags(raw json.RawMessage) ([]protocol.Flag, error) {
	list := []protocol.Flag{}
	if err := json.Unmarshal(raw, &list); err != nil {
		return nil, fmt.Errorf("the stored flags are unreadable: %w", err)
	}
	for i := range list {
		list[i].Inputs = orEmpty(list[i].Inputs)
	}
	return orEmpty(list), nil
}

// orEmpty makes a list that is nil an empty JSON array.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
