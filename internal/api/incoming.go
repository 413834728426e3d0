package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/command"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// deciders are the roles that see what came in and decide on it.
var deciders = []journey.Role{journey.Coordinator}

// messageLine is one line of the list.
type messageLine struct {
	ID       string          `json:"id"`
	State    incoming.State  `json:"state"`
	Channel  string          `json:"channel"`
	Sender   string          `json:"sender"`
	Received time.Time       `json:"received"`
	Revision int64           `json:"revision"`
	Kinds    []reading.Kind  `json:"kinds"`
	Parts    []incoming.Part `json:"parts"`
	Issues   []reading.Issue `json:"issues"`
	Acts     []messageAct    `json:"acts,omitempty"`
	Groups   []messageGroup  `json:"groups,omitempty"`
	Can      []incoming.Act  `json:"can,omitempty"`
	Control  string          `json:"control_id,omitempty"`
	Type     string          `json:"content_type,omitempty"`
	Raw      *string         `json:"raw,omitempty"`
	Encoded  []byte          `json:"raw_base64,omitempty"`
	Withheld bool            `json:"withheld,omitempty"`
	Unread   []reading.Issue `json:"unreadable,omitempty"`
}

type messageAct struct {
	At     time.Time       `json:"at"`
	Actor  string          `json:"actor"`
	Role   journey.Role    `json:"role"`
	Act    string          `json:"act"`
	Reason string          `json:"reason"`
	Detail json.RawMessage `json:"detail,omitempty"`
}

// messageGroup is what is said of one person.
type messageGroup struct {
	Place       string               `json:"place"`
	Identifiers []reading.Identifier `json:"identifiers"`
	Person      reading.Person       `json:"person"`
	Orders      []reading.Order      `json:"orders,omitempty"`
	Results     []command.Result     `json:"results"`
	Places      []string             `json:"places"`
	Issues      []reading.Issue      `json:"issues,omitempty"`
	Can         []incoming.Act       `json:"can"`
	// More says that there are results which the reader may not see.
	More bool `json:"more,omitempty"`
}

// mostMessages bounds a list.
const mostMessages = 100

// messages answers GET /incoming.
func (s *server) messages(c echo.Context) error {
	states := []incoming.State{incoming.Held, incoming.Refused}
	for name, values := range c.QueryParams() {
		if name != "state" || len(values) != 1 || !slices.Contains(record.IncomingStates, incoming.State(values[0])) {
			return &command.Invalid{Faults: []command.Fault{{Field: name, Problem: "not accepted", Accepted: append([]string{"state"}, journey.Words(record.IncomingStates)...)}}}
		}
		states = []incoming.State{incoming.State(values[0])}
	}
	newest := len(states) == 1 && !states[0].Open()
	list, err := s.Incoming.List(c.Request().Context(), access.From(c).Actor, newest, mostMessages, states...)
	if err != nil {
		return err
	}
	lines := []messageLine{}
	for _, m := range list {
		line, err := lineOf(m)
		if err != nil {
			return err
		}
		lines = append(lines, line)
	}
	return reply(c, http.StatusOK, map[string]any{"messages": lines})
}

func lineOf(m record.Incoming) (messageLine, error) {
	out, err := incoming.OutcomeOf(m, false)
	if err != nil {
		return messageLine{}, err
	}
	line := messageLine{
		ID: m.ID, State: m.State, Channel: m.Channel, Sender: m.Sender, Received: m.ReceivedAt, Revision: m.Revision,
		Kinds: []reading.Kind{}, Parts: orEmpty(out.Parts), Issues: orEmpty(out.Issues),
	}
	for _, i := range out.Issues {
		if !slices.Contains(line.Kinds, i.Kind) {
			line.Kinds = append(line.Kinds, i.Kind)
		}
	}
	return line, nil
}

// message answers GET /incoming/{id}.
func (s *server) message(c echo.Context) error {
	bearer := access.From(c)
	v, err := s.Incoming.View(c.Request().Context(), bearer.Actor, c.Param("id"))
	if err != nil {
		return err
	}
	line, err := lineOf(v.Incoming)
	if err != nil {
		return err
	}
	reader := readerOf(bearer)
	line.Control, line.Type, line.Can, line.Unread = v.ControlID, v.ContentType, v.Can, v.Unreadable
	for _, a := range v.Done {
		line.Acts = append(line.Acts, messageAct{At: a.At, Actor: a.Actor, Role: a.Role, Act: a.Kind, Reason: a.Reason, Detail: a.Detail})
	}
	for _, g := range v.Groups {
		audit.About(c.Request().Context(), g.Part.Candidate)
		p, err := s.protocolOfMessage(c, g)
		if err != nil {
			return err
		}
		shown, more := reader.Reported(p, "", g.Results)
		line.Withheld = line.Withheld || more
		line.Groups = append(line.Groups, messageGroup{
			Place: g.Place, Identifiers: orEmpty(g.Identifiers), Person: g.Person, Orders: g.Orders, Results: orEmpty(shown), Places: placesOf(g.Group, shown),
			Issues: g.Issues, Can: orEmpty(g.Can), More: more,
		})
	}
	if !line.Withheld {
		if utf8.Valid(v.Raw) {
			raw := string(v.Raw)
			line.Raw = &raw
		} else {
			line.Encoded = v.Raw
		}
	}
	return reply(c, http.StatusOK, line)
}

// placesOf are the places of the results that are shown.
func placesOf(g reading.Group, shown []command.Result) []string {
	places := []string{}
	for i, r := range g.Results {
		if slices.ContainsFunc(shown, func(s command.Result) bool { return s.Identifier == r.Identifier }) {
			places = append(places, g.Places[i])
		}
	}
	return places
}

// protocolOfMessage is the protocol by which a group is understood: that of the
// candidate, or the present one for nobody.
func (s *server) protocolOfMessage(c echo.Context, g incoming.GroupView) (*protocol.Protocol, error) {
	if g.Candidate == nil {
		return s.Current, nil
	}
	return s.Protocols.Get(c.Request().Context(), g.Candidate.Protocol)
}

// decision is the body of POST /incoming/{id}/decisions.
type decision struct {
	Act       incoming.Act       `json:"act"`
	Revision  *int64             `json:"revision"`
	Group     int                `json:"group,omitempty"`
	Candidate string             `json:"candidate,omitempty"`
	BirthDate journey.Date       `json:"birth_date,omitempty"`
	Alias     *result.Identifier `json:"alias,omitempty"`
	AliasKind string             `json:"alias_kind,omitempty"`
	Reason    string             `json:"reason"`
}

// decide answers POST /incoming/{id}/decisions.
func (s *server) decide(c echo.Context) error {
	raw, err := readBody(c, echo.MIMEApplicationJSON)
	if err != nil {
		return err
	}
	var d decision
	if err := command.Strict(raw, &d); err != nil {
		return err
	}
	bearer, ctx := access.From(c), c.Request().Context()
	// Whoever may not see a message is told that there is none.
	if _, err := s.Incoming.View(ctx, bearer.Actor, c.Param("id")); err != nil {
		return err
	}
	if d.Revision == nil {
		return &command.Invalid{Faults: []command.Fault{{Field: "revision", Problem: "missing", Accepted: []string{"the revision of the message as it was read"}}}}
	}
	out, err := s.Incoming.Decide(ctx, incoming.Deed{
		Message: c.Param("id"), Revision: *d.Revision, Key: c.Request().Header.Get(keyHeader), Act: d.Act, Group: d.Group,
		Candidate: d.Candidate, BirthDate: d.BirthDate, Alias: d.Alias, AliasKind: d.AliasKind, Reason: d.Reason,
		Actor: bearer.Actor, Role: bearer.Role,
	})
	if err != nil {
		return err
	}
	m, err := s.Store.Incoming(ctx, out.ID)
	if err != nil {
		return err
	}
	line, err := lineOf(m)
	if err != nil {
		return err
	}
	return reply(c, http.StatusOK, line)
}

// furtherIdentifier is a number of a candidate beside that of the referral.
type furtherIdentifier struct {
	Identifier result.Identifier `json:"identifier"`
	Kind       string            `json:"kind"`
	Reason     string            `json:"reason"`
	RecordedBy string            `json:"recorded_by,omitempty"`
	RecordedAt time.Time         `json:"recorded_at,omitzero"`
}

// identifiers answers GET /candidates/{id}/identifiers.
func (s *server) identifiers(c echo.Context) error {
	candidate, err := s.find(c)
	if err != nil {
		return err
	}
	return s.replyIdentifiers(c, candidate.ID, http.StatusOK)
}

func (s *server) replyIdentifiers(c echo.Context, candidate string, status int) error {
	list, err := s.Store.FurtherIdentifiers(c.Request().Context(), candidate)
	if err != nil {
		return err
	}
	shown := []furtherIdentifier{}
	for _, f := range list {
		shown = append(shown, furtherIdentifier{f.Identifier, f.Kind, f.Reason, f.RecordedBy, f.RecordedAt})
	}
	return reply(c, status, map[string]any{"identifiers": shown})
}

// addIdentifier answers POST /candidates/{id}/identifiers. Recording the same
// number again changes nothing.
func (s *server) addIdentifier(c echo.Context) error {
	candidate, err := s.find(c)
	if err != nil {
		return err
	}
	raw, err := readBody(c, echo.MIMEApplicationJSON)
	if err != nil {
		return err
	}
	var f furtherIdentifier
	if err := command.Strict(raw, &f); err != nil {
		return err
	}
	var faults command.Faults
	for field, value := range map[string]string{"identifier.system": f.Identifier.System, "identifier.value": f.Identifier.Value, "reason": f.Reason} {
		if strings.TrimSpace(value) == "" || len(value) > 1000 {
			faults.Add(field, "missing or too long")
		}
	}
	if strings.ContainsAny(f.Identifier.System, " \t\n") {
		faults.Add("identifier.system", "not a URI", "an absolute URI without spaces")
	}
	if !slices.Contains(record.IdentifierKinds, f.Kind) {
		faults.Add("kind", "not accepted", record.IdentifierKinds...)
	}
	if f.RecordedBy != "" || !f.RecordedAt.IsZero() {
		faults.Add("recorded_by", "it is whoever records it")
	}
	if err := faults.Err(); err != nil {
		return err
	}
	err = s.Store.AddIdentifier(c.Request().Context(), record.FurtherIdentifier{
		Identifier: f.Identifier, Candidate: candidate.ID, Kind: f.Kind, Reason: f.Reason, RecordedBy: access.From(c).Actor,
	})
	if err != nil {
		return identifierTaken(err)
	}
	return s.replyIdentifiers(c, candidate.ID, http.StatusCreated)
}

func identifierTaken(err error) error {
	if errors.Is(err, record.ErrIdentifierTaken) {
		return &journey.Refusal{Code: journey.Conflict, Field: "identifier", Message: fmt.Sprintf("identifier: %v", err)}
	}
	return err
}
