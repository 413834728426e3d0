package api

import (
	_ "embed"
	"encoding/json"
	"net/http"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

//go:embed openapi.yaml
var openapi []byte

// document answers GET /openapi.yaml.
func (s *server) document(c echo.Context) error {
	return c.Blob(http.StatusOK, "application/yaml", openapi)
}

// protocolSchema answers GET /protocol.schema.json, which editors read.
func (s *server) protocolSchema(c echo.Context) error {
	text, err := json.Marshal(protocol.Schema())
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "application/schema+json", text)
}

// whoami answers GET /whoami.
func (s *server) whoami(c echo.Context) error {
	bearer := access.From(c)
	answer := struct {
		Actor string       `json:"actor"`
		Role  journey.Role `json:"role"`
		// Name is empty for a token that is bound to no account.
		Name string `json:"name,omitempty"`
	}{Actor: bearer.Actor, Role: bearer.Role}
	account, err := s.Store.Account(c.Request().Context(), bearer.Actor)
	if err != nil && !isNotFound(err) {
		return err
	}
	answer.Name = account.Name
	return reply(c, http.StatusOK, answer)
}

type account struct {
	ID   string       `json:"id"`
	Name string       `json:"name"`
	Role journey.Role `json:"role"`
}

// accounts answers GET /accounts. Usernames stay out of it: they are half of
// what signing in takes.
func (s *server) accounts(c echo.Context) error {
	role, err := readRole(c.QueryString())
	if err != nil {
		return err
	}
	all, err := s.Store.Accounts(c.Request().Context())
	if err != nil {
		return err
	}
	list := []account{}
	for _, a := range all {
		if !a.Disabled && (role == "" || a.Role == role) {
			list = append(list, account{ID: a.ID, Name: a.Name, Role: a.Role})
		}
	}
	return reply(c, http.StatusOK, map[string]any{"accounts": list})
}

type protocolDocument struct {
	Version      string                `json:"version"`
	Title        string                `json:"title"`
	Description  string                `json:"description"`
	Canonical    string                `json:"canonical"`
	TimeZone     string                `json:"time_zone"`
	Digest       string                `json:"digest"`
	Requirements []protocolRequirement `json:"requirements"`
	Flags        []protocolFlag        `json:"flags"`
	Facts        []protocolFact        `json:"facts"`
	Visits       []protocolVisit       `json:"visits"`
	Quorum       []seat                `json:"quorum"`
	Timers       journey.Timers        `json:"timers"`
	Reminders    []protocolReminder    `json:"reminders,omitempty"`
	Recovery     []protocolMilestone   `json:"recovery,omitempty"`
	Contacts     []protocolContact     `json:"contacts,omitempty"`
	Medicines    *protocolMedicines    `json:"medicines,omitempty"`
	Notices      []protocolNotice      `json:"notices,omitempty"`
	NoticeTexts  []protocolNoticeText  `json:"notice_texts,omitempty"`

	ApprovedBy    string       `json:"approved_by,omitempty"`
	ApprovedOn    journey.Date `json:"approved_on,omitempty"`
	EffectiveFrom journey.Date `json:"effective_from,omitempty"`
}

type protocolRequirement struct {
	ID             string           `json:"id"`
	Title          string           `json:"title"`
	Domain         string           `json:"domain"`
	Gate           journey.Gate     `json:"gate"`
	Evidence       journey.Evidence `json:"evidence"`
	Signer         journey.Role     `json:"signer,omitempty"`
	LOINC          [][]string       `json:"loinc,omitempty"`
	Local          [][]string       `json:"local,omitempty"`
	ValidDays      int              `json:"valid_days,omitempty"`
	NoWaiver       bool             `json:"no_waiver,omitempty"`
	WhenFlagged    []string         `json:"when_flagged,omitempty"`
	When           string           `json:"when,omitempty"`
	BeforeDecision bool             `json:"before_decision,omitempty"`
	ByAdvocate     bool             `json:"by_advocate,omitempty"`
	Sided          bool             `json:"sided,omitempty"`
	Performer      string           `json:"performer,omitempty"`

	OperationDays   int            `json:"operation_days,omitempty"`
	Occasions       int            `json:"occasions,omitempty"`
	RenewedBy       []string       `json:"renewed_by,omitempty"`
	SecondSignature bool           `json:"second_signature,omitempty"`
	LeadDays        int            `json:"lead_days,omitempty"`
	Visit           string         `json:"visit,omitempty"`
	Needs           []string       `json:"needs,omitempty"`
	Items           []protocolItem `json:"items,omitempty"`
	Differs         string         `json:"differs,omitempty"`
	Source          string         `json:"source"`
}

type protocolItem struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	When    string `json:"when,omitempty"`
	Differs string `json:"differs,omitempty"`
	Source  string `json:"source"`
}

type protocolReminder struct {
	Of         journey.DeadlineKind `json:"of"`
	DaysBefore []int                `json:"days_before"`
	Source     string               `json:"source,omitempty"`
}

type protocolNotice struct {
	Of       protocol.Occasion    `json:"of"`
	To       []protocol.Addressee `json:"to"`
	Except   []string             `json:"except,omitempty"`
	Text     string               `json:"text"`
	FromHour int                  `json:"from_hour,omitempty"`
	Source   string               `json:"source"`
}

type protocolNoticeText struct {
	ID      string `json:"id"`
	Subject string `json:"subject"`
	Body    string `json:"body"`
}

type protocolFlag struct {
	ID          string         `json:"id"`
	Title       string         `json:"title"`
	Requirement string         `json:"requirement"`
	Of          string         `json:"of"`
	Unit        string         `json:"unit,omitempty"`
	Coded       bool           `json:"coded,omitempty"`
	Bands       []protocolBand `json:"bands"`
	Clears      string         `json:"clears,omitempty"`
	Differs     string         `json:"differs,omitempty"`
	Source      string         `json:"source"`
}

type protocolFact struct {
	ID    string            `json:"id"`
	Title string            `json:"title"`
	Of    string            `json:"of"`
	Type  protocol.FactType `json:"type"`
	Unit  string            `json:"unit,omitempty"`
}

type protocolBand struct {
	Band     journey.Band `json:"band"`
	When     string       `json:"when"`
	Absolute bool         `json:"absolute,omitempty"`
}

type protocolVisit struct {
	ID          string `json:"id"`
	Title       string `json:"title"`
	AfterDays   int    `json:"after_days,omitempty"`
	AfterMonths int    `json:"after_months,omitempty"`
	OpensBefore int    `json:"opens_before_days"`
	ClosesAfter int    `json:"closes_after_days"`
	InRecovery  bool   `json:"in_recovery,omitempty"`
	// RepeatsEvery makes it a row of visits, for life without RepeatsUntil.
	RepeatsEvery int        `json:"repeats_every_months,omitempty"`
	RepeatsUntil int        `json:"repeats_until_years,omitempty"`
	Clinical     [][]string `json:"clinical,omitempty"`
	Laboratory   [][]string `json:"laboratory,omitempty"`
	Further      [][]string `json:"further,omitempty"`
	Reported     bool       `json:"reported,omitempty"`
	Source       string     `json:"source"`
}

type seat struct {
	ID    string `json:"id"`
	Title string `json:"title"`
}

// protocol answers GET /protocol: the version that new candidates get.
func (s *server) protocol(c echo.Context) error {
	return reply(c, http.StatusOK, describeProtocol(s.Current))
}

func describeProtocol(p *protocol.Protocol) protocolDocument {
	d := protocolDocument{
		Version: p.Version, Title: p.Title, Description: p.Description, Canonical: p.Canonical, TimeZone: p.TimeZone,
		Digest: p.Digest(), Requirements: []protocolRequirement{}, Flags: []protocolFlag{}, Facts: []protocolFact{}, Visits: []protocolVisit{},
		Quorum: []seat{}, Timers: p.Timers, ApprovedBy: p.ApprovedBy, ApprovedOn: p.ApprovedOn, EffectiveFrom: p.EffectiveFrom,
	}
	for _, r := range p.Requirements {
		var items []protocolItem
		for _, item := range p.Items(r.ID) {
			items = append(items, protocolItem{ID: item.ID, Title: item.Title, When: item.When, Differs: item.Differs, Source: item.Source})
		}
		d.Requirements = append(d.Requirements, protocolRequirement{
			ID: r.ID, Title: r.Title, Domain: r.Domain, Gate: r.Gate, Evidence: r.Evidence, Signer: r.Signer, LOINC: r.LOINC,
			Local: r.Local, ValidDays: r.ValidDays, NoWaiver: r.NoWaiver, WhenFlagged: r.WhenFlagged, When: r.When,
			BeforeDecision: r.BeforeDecision, ByAdvocate: r.ByAdvocate, Sided: r.Sided, Source: r.Source,
			Performer: string(r.Performer), OperationDays: r.OperationDays, Occasions: r.Occasions, RenewedBy: r.RenewedBy,
			SecondSignature: r.SecondSignature, LeadDays: r.LeadDays, Visit: r.Visit, Needs: r.Needs, Items: items, Differs: r.Differs,
		})
	}
	for _, f := range p.Flags {
		rule := protocolFlag{
			ID: f.ID, Title: f.Title, Requirement: f.Requirement, Of: f.Of, Unit: f.Unit, Coded: f.Coded,
			Bands: []protocolBand{}, Clears: f.Clears, Differs: f.Differs, Source: f.Source,
		}
		for _, b := range f.Bands {
			rule.Bands = append(rule.Bands, protocolBand{Band: b.Band, When: b.When, Absolute: b.Absolute})
		}
		d.Flags = append(d.Flags, rule)
	}
	for _, f := range p.Facts {
		d.Facts = append(d.Facts, protocolFact{ID: f.ID, Title: f.Title, Of: f.Of, Type: f.Type, Unit: f.Unit})
	}
	for _, v := range p.Visits {
		d.Visits = append(d.Visits, protocolVisit{
			ID: v.ID, Title: v.Title, AfterDays: v.AfterDays, AfterMonths: v.AfterMonths, OpensBefore: v.OpensBefore,
			ClosesAfter: v.ClosesAfter, InRecovery: v.InRecovery, Source: v.Source,
			RepeatsEvery: v.RepeatsEvery, RepeatsUntil: v.RepeatsUntil,
			Clinical: v.Clinical, Laboratory: v.Laboratory, Further: v.Further, Reported: v.Reported,
		})
	}
	for _, r := range p.Reminders {
		d.Reminders = append(d.Reminders, protocolReminder(r))
	}
	for _, n := range p.Notices {
		d.Notices = append(d.Notices, protocolNotice(n))
	}
	for _, t := range p.NoticeTexts {
		d.NoticeTexts = append(d.NoticeTexts, protocolNoticeText(t))
	}
	for _, m := range p.Recovery {
		d.Recovery = append(d.Recovery, milestoneOf(m))
	}
	for _, contact := range p.Contacts {
		d.Contacts = append(d.Contacts, protocolContact(contact))
	}
	if m := p.Medicines; m != nil {
		d.Medicines = &protocolMedicines{m.ParacetamolG, m.ParacetamolLowG, m.LowWeightKg, m.HoursApart, m.AspirinMg, m.AllowedNSAID, m.Source}
	}
	for _, q := range p.Quorum {
		d.Quorum = append(d.Quorum, seat(q))
	}
	return d
}
