package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
	"candidacy/internal/subscription"
)

const (
	typeSubscription         = "Subscription"
	systemSubscriptionStatus = "http://hl7.org/fhir/subscription-status"
	systemChannelType        = "http://hl7.org/fhir/subscription-channel-type"
)

// Subscriptions are what clients may subscribe with.
type Subscriptions struct {
	Store *record.Store
	// Hosts are where notifications may go.
	Hosts subscription.Hosts
}

const (
	// maxSubscriptions is how many a client may have, and maxSubscription the size
	// of one in bytes.
	maxSubscriptions = 20
	maxSubscription  = 64 << 10
)

// subscriptionRoutes are the paths of Subscription. They are apart from those of
// the published types: a subscription is its client's own, and nobody else's to
// see.
func subscriptionRoutes() []route {
	return []route{
		{method: http.MethodGet, path: "/Subscription/:id", code: interaction(r4.TypeRestfulInteractionRead), handler: (*server).readSubscription},
		{method: http.MethodGet, path: "/Subscription", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchSubscriptions},
		{method: http.MethodPost, path: "/Subscription/_search", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchSubscriptions},
		{method: http.MethodPost, path: "/Subscription", code: interaction(r4.TypeRestfulInteractionCreate), handler: (*server).createSubscription},
		{method: http.MethodPut, path: "/Subscription/:id", code: interaction(r4.TypeRestfulInteractionUpdate), handler: (*server).updateSubscription},
		{method: http.MethodDelete, path: "/Subscription/:id", code: interaction(r4.TypeRestfulInteractionDelete), handler: (*server).deleteSubscription},
	}
}

func (s *server) registerSubscriptions(g *echo.Group) {
	for _, r := range subscriptionRoutes() {
		handle := s.guard(func(c echo.Context) error { return r.handler(s, c) })
		for _, method := range r.methods() {
			g.Add(method, r.path, handle)
		}
	}
}

// subscriptionParams are the search parameters of Subscription.
var subscriptionParams = []param{
	tokenParam("status", "Subscription-status", systemSubscriptionStatus),
	tokenParam("type", "Subscription-type", systemChannelType),
	stringParam("criteria", "Subscription-criteria"),
	uriParam("url", "Subscription-url"),
}

func subscriptionCapability() r4.CapabilityStatementRestResource {
	versioning, conditional, no := r4.ResourceVersionPolicyVersionedUpdate, r4.ConditionalReadStatusFullSupport, false
	r := r4.CapabilityStatementRestResource{
		Type: r4.ResourceTypeSubscription, Versioning: &versioning, ConditionalRead: &conditional, ReadHistory: &no, UpdateCreate: &no,
	}
	seen := map[r4.TypeRestfulInteraction]bool{}
	for _, route := range subscriptionRoutes() {
		if !seen[*route.code] {
			seen[*route.code] = true
			r.Interaction = append(r.Interaction, r4.CapabilityStatementRestResourceInteraction{Code: *route.code})
		}
	}
	for _, p := range slices.Concat(commonParams[:1], subscriptionParams) {
		definition := canonicalParam + p.definition
		r.SearchParam = append(r.SearchParam, r4.CapabilityStatementRestResourceSearchParam{Name: p.name, Definition: &definition, Type: p.kind})
	}
	return r
}

// keptValue stands in the place of a header's value, which nobody is shown. Sent back,
// it means the value that is kept.
const keptValue = "[kept]"

// subscriptionBody is what of a Subscription is read.
type subscriptionBody struct {
	ResourceType string               `json:"resourceType"`
	ID           string               `json:"id"`
	Meta         json.RawMessage      `json:"meta"`
	Text         json.RawMessage      `json:"text"`
	Status       string               `json:"status"`
	Contact      []r4.ContactPoint    `json:"contact"`
	End          *string              `json:"end"`
	Reason       string               `json:"reason"`
	Criteria     string               `json:"criteria"`
	Error        string               `json:"error"`
	Channel      *subscriptionChannel `json:"channel"`
}

type subscriptionChannel struct {
	Type     string   `json:"type"`
	Endpoint string   `json:"endpoint"`
	Payload  *string  `json:"payload"`
	Header   []string `json:"header"`
}

func badSubscription(status int, code, element, diagnostics string) *failure {
	return &failure{status: status, code: code, diagnostics: element + ": " + diagnostics, expression: element}
}

// exactly refuses members of a JSON object that are not among the names, stand
// there twice, or are null: none of that is FHIR, and a reader of JSON would
// overlook it.
func exactly(element string, body []byte, names ...string) error {
	list, err := members(body)
	if err != nil {
		return badSubscription(http.StatusBadRequest, "structure", element, "not a JSON object")
	}
	seen := map[string]bool{}
	for _, m := range list {
		switch {
		case !slices.Contains(names, m.name):
			return badSubscription(http.StatusBadRequest, "structure", element, "accepted elements: "+strings.Join(names, ", "))
		case seen[m.name]:
			return badSubscription(http.StatusBadRequest, "structure", element+"."+m.name, "given twice")
		case bytes.Equal(m.value, []byte("null")):
			return badSubscription(http.StatusBadRequest, "structure", element+"."+m.name, "null is no value")
		}
		seen[m.name] = true
	}
	return nil
}

func readSubscriptionBody(body []byte) (subscriptionBody, error) {
	var in subscriptionBody
	if !json.Valid(body) || !bytes.HasPrefix(bytes.TrimSpace(body), []byte("{")) {
		return in, badSubscription(http.StatusBadRequest, "structure", typeSubscription, "not a JSON object")
	}
	if err := exactly(typeSubscription, body, "resourceType", "id", "meta", "text", "status", "contact", "end", "reason", "criteria", "error", "channel"); err != nil {
		return in, err
	}
	if err := json.Unmarshal(body, &in); err != nil {
		element := typeSubscription
		var at *json.UnmarshalTypeError
		if errors.As(err, &at) && at.Field != "" {
			element += "." + at.Field
		}
		return in, badSubscription(http.StatusBadRequest, "structure", element, "not of the type that R4 gives it")
	}
	if in.ResourceType != typeSubscription {
		return in, badSubscription(http.StatusBadRequest, "structure", "resourceType", "accepted: Subscription")
	}
	if in.Channel == nil {
		return in, badSubscription(http.StatusUnprocessableEntity, "required", "Subscription.channel", "missing")
	}
	var outer struct {
		Channel json.RawMessage `json:"channel"`
	}
	if err := json.Unmarshal(body, &outer); err != nil {
		return in, badSubscription(http.StatusBadRequest, "structure", typeSubscription, "not a JSON object")
	}
	return in, exactly("Subscription.channel", outer.Channel, "type", "endpoint", "payload", "header")
}

// longestText bounds the texts of a subscription; common practice.
const longestText = 2000

// subscribe makes of what a client sent what is stored. Before is what stands, if
// anything does.
func (s *server) subscribe(r *http.Request, in subscriptionBody, before *record.Subscription) (record.Subscription, error) {
	var sub record.Subscription
	if before != nil {
		sub = *before
	}
	invalid := func(element, diagnostics string) error {
		return badSubscription(http.StatusUnprocessableEntity, "value", "Subscription."+element, diagnostics)
	}
	sub.Client, sub.Reason, sub.Endpoint = s.sender(r), in.Reason, in.Channel.Endpoint
	switch {
	case strings.TrimSpace(in.Reason) == "" || len(in.Reason) > longestText || !printable(in.Reason):
		return sub, invalid("reason", "say in a line what it is for")
	case in.Channel.Type != "rest-hook":
		return sub, invalid("channel.type", "accepted: rest-hook")
	case in.Channel.Payload != nil:
		return sub, invalid("channel.payload", "leave it out: requests are empty, and the client searches for what changed")
	case len(in.Channel.Endpoint) > longestText || !printable(in.Channel.Endpoint):
		return sub, invalid("channel.endpoint", "accepted: an absolute address")
	}
	if err := s.opts.Subscriptions.Hosts.Check(in.Channel.Endpoint); err != nil {
		return sub, invalid("channel.endpoint", err.Error())
	}
	var err error
	if sub.Headers, err = headersOf(in.Channel.Header, before); err != nil {
		return sub, err
	}
	sub.EndsAt = time.Time{}
	if in.End != nil {
		end, err := time.Parse(time.RFC3339Nano, *in.End)
		if err != nil || !instantShape.MatchString(*in.End) || !end.After(s.opts.Now()) {
			return sub, invalid("end", "accepted: an instant with its zone that is still to come, such as 2026-03-02T09:30:00.000Z")
		}
		sub.EndsAt = end.UTC()
	}
	sub.Contact = json.RawMessage("[]")
	if len(in.Contact) > 0 {
		if sub.Contact, err = encode(in.Contact); err != nil {
			return sub, err
		}
	}
	sub.Criteria, sub.Base = in.Criteria, s.opts.BaseURL(r)
	sub.Query, sub.Granted, err = s.parser(r).criteria(in.Criteria)
	if err != nil {
		return sub, err
	}
	// Whatever can't be asked is found out now, and not by those who publish.
	probe := sub.Query
	probe.IDs = []string{"probe"}
	if _, err := s.opts.Subscriptions.Store.Count(r.Context(), probe); err != nil {
		return sub, err
	}
	err = setStatus(&sub, in.Status, before, s.opts.Now())
	return sub, err
}

// setStatus is what R4 lets a client ask for: to be told, or not any more. Sent
// back as it was read, a status stays, unless something else changes.
func setStatus(sub *record.Subscription, wanted string, before *record.Subscription, now time.Time) error {
	again := func() { sub.Status, sub.Failures, sub.Error, sub.DueAt = record.SubscriptionRequested, 0, "", now }
	switch {
	case wanted == string(record.SubscriptionRequested):
		again()
	case before == nil:
		return badSubscription(http.StatusUnprocessableEntity, "value", "Subscription.status", "accepted: requested")
	case wanted == string(record.SubscriptionOff):
		sub.Status = record.SubscriptionOff
	case wanted != string(before.Status):
		return badSubscription(http.StatusUnprocessableEntity, "value", "Subscription.status", "accepted: requested, off, or the status that it has")
	case sub.Endpoint != before.Endpoint || sub.Criteria != before.Criteria || !slices.Equal(sub.Headers, before.Headers):
		again()
	}
	return nil
}

// headersOf are the header lines, with the values that are kept where the client
// sends back what it was shown.
func headersOf(lines []string, before *record.Subscription) ([]string, error) {
	list := []string{}
	used := 0
	for i, line := range lines {
		element := "Subscription.channel.header[" + strconv.Itoa(i) + "]"
		name, value, err := subscription.Header(line)
		if err != nil {
			return nil, badSubscription(http.StatusUnprocessableEntity, "value", element, err.Error())
		}
		if value == keptValue {
			found := false
			for before != nil && used < len(before.Headers) && !found {
				was, _, _ := strings.Cut(before.Headers[used], ":")
				if found = was == name; found {
					list = append(list, before.Headers[used])
				}
				used++
			}
			if !found {
				return nil, badSubscription(http.StatusUnprocessableEntity, "value", element, "no such header is kept, in this order; give its value")
			}
			continue
		}
		list = append(list, name+": "+value)
	}
	if len(list) > maxHeaders {
		return nil, badSubscription(http.StatusUnprocessableEntity, "too-long", "Subscription.channel.header", fmt.Sprintf("at most %d", maxHeaders))
	}
	return list, nil
}

const maxHeaders = 10

// criteria reads what is subscribed to: a search of a published type that can be
// asked of each resource by itself. It returns the query with what narrows the
// client's grant, and that narrowing.
func (p *parser) criteria(text string) (record.Query, map[string][]string, error) {
	typ, query, _ := strings.Cut(text, "?")
	q := record.Query{Type: typ}
	invalid := func(code, diagnostics string) error {
		return badSubscription(http.StatusUnprocessableEntity, code, "Subscription.criteria", diagnostics)
	}
	if !slices.Contains(exportable(exportSystem), typ) {
		return q, nil, invalid("not-supported", "accepted: a type and a search of it, such as Observation?category=laboratory; types: "+strings.Join(exportable(exportSystem), ", "))
	}
	if len(text) > longestText {
		return q, nil, invalid("too-long", "too long")
	}
	within, err := p.within(typ, exportNeeds...)
	if err != nil {
		return q, nil, err
	}
	reader := &parser{base: p.base, now: p.now, strict: true, grant: Everything{}}
	if _, err := reader.filter(&q, query); err != nil {
		var f *failure
		if errors.As(err, &f) {
			return q, nil, invalid(f.code, strings.TrimPrefix(f.param+": ", ": ")+f.diagnostics)
		}
		return q, nil, err
	}
	if len(q.Updated) > 0 || slices.ContainsFunc(q.Conditions, func(c record.Condition) bool { return c.To != nil || c.From != nil }) {
		return q, nil, invalid("not-supported", "_lastUpdated, chains and _has can't be asked of a resource by itself")
	}
	if reader.values > maxValues {
		return q, nil, invalid("too-costly", "too many values")
	}
	if len(within) > 0 {
		q.Any = append(q.Any, within)
	}
	granted := map[string][]string{}
	for _, permission := range exportNeeds {
		if list, _ := p.grant.Allows(typ, permission); len(list) > 0 {
			granted[string(permission)] = list
		}
	}
	return q, granted, nil
}

// Covers reports whether a grant, as it is now, covers a subscription or a part of
// an export that was granted with the narrowing.
func covers(g Grant, typ string, was map[string][]string) bool {
	for _, permission := range exportNeeds {
		now, ok := g.Allows(typ, permission)
		if !ok {
			return false
		}
		before := was[string(permission)]
		if len(now) == 0 {
			continue
		}
		// Each search of before has to ask for all that some search of now does.
		if len(before) == 0 || slices.ContainsFunc(before, func(old string) bool {
			return !slices.ContainsFunc(now, func(text string) bool { return narrower(old, text) })
		}) {
			return false
		}
	}
	return true
}

// narrower reports whether a search has every parameter of another.
func narrower(text, other string) bool {
	have := strings.Split(text, "&")
	for wanted := range strings.SplitSeq(other, "&") {
		if !slices.Contains(have, wanted) {
			return false
		}
	}
	return true
}

// MaySubscribe reports whether a client with the grant may still be told of what a
// subscription is about.
func MaySubscribe(g Grant, sub record.Subscription) bool {
	_, ok := g.Allows(typeSubscription, MayRead)
	if !ok {
		_, ok = g.Allows(typeSubscription, MayCreate)
	}
	return ok && covers(g, sub.Query.Type, sub.Granted)
}

// subscriptionGrant is what a subscription was granted: see criteria.
type subscriptionGrant struct{ record.Subscription }

// Allows implements Grant.
func (g subscriptionGrant) Allows(typ string, p Permission) ([]string, bool) {
	return g.Granted[string(p)], typ == g.Query.Type && slices.Contains(exportNeeds, p)
}

// Criteria reads the criteria of a stored subscription again: another release may
// read them in another way.
func Criteria(sub record.Subscription) (record.Query, error) {
	p := &parser{base: sub.Base, now: sub.CreatedAt, grant: subscriptionGrant{sub}}
	q, _, err := p.criteria(sub.Criteria)
	return q, err
}

// shownSubscription is the resource, without what its headers say.
func shownSubscription(sub record.Subscription) ([]byte, error) {
	version := strconv.FormatInt(sub.Version, 10)
	out := r4.Subscription{
		Id:     &sub.ID,
		Meta:   &r4.Meta{VersionId: &version, LastUpdated: optional(sub.UpdatedAt.UTC().Format("2006-01-02T15:04:05.000Z"))},
		Reason: sub.Reason, Criteria: sub.Criteria, Error: optional(sub.Error),
		Channel: r4.SubscriptionChannel{Type: r4.SubscriptionChannelTypeRestHook, Endpoint: &sub.Endpoint},
	}
	var ok bool
	if out.Status, ok = subscriptionStatuses[sub.Status]; !ok {
		return nil, fmt.Errorf("a subscription has the status %q", sub.Status)
	}
	if !sub.EndsAt.IsZero() {
		out.End = optional(sub.EndsAt.UTC().Format(time.RFC3339Nano))
	}
	if err := json.Unmarshal(sub.Contact, &out.Contact); err != nil {
		return nil, fmt.Errorf("read the contact of a subscription: %w", err)
	}
	for _, line := range sub.Headers {
		name, _, _ := strings.Cut(line, ":")
		out.Channel.Header = append(out.Channel.Header, name+": "+keptValue)
	}
	return encode(out)
}

var subscriptionStatuses = map[record.SubscriptionStatus]r4.SubscriptionStatus{
	record.SubscriptionRequested: r4.SubscriptionStatusRequested, record.SubscriptionActive: r4.SubscriptionStatusActive,
	record.SubscriptionError: r4.SubscriptionStatusError, record.SubscriptionOff: r4.SubscriptionStatusOff,
}

// maySubscription refuses a client that may not do this with its subscriptions. A
// grant that is narrowed by a search is none here.
func (s *server) maySubscription(c echo.Context, p Permission) error {
	if within, ok := s.grant(c.Request()).Allows(typeSubscription, p); !ok || len(within) > 0 {
		return forbidden(typeSubscription)
	}
	return nil
}

// ownSubscription finds a subscription of the client. Another's is as good as none.
func (s *server) ownSubscription(c echo.Context) (record.Subscription, error) {
	sub, err := s.opts.Subscriptions.Store.Subscription(c.Request().Context(), c.Param("id"))
	if sub.Client != s.sender(c.Request()) {
		return sub, notFound()
	}
	return sub, missing(err)
}

func (s *server) readSubscription(c echo.Context) error {
	if !validID(c.Param("id")) {
		return unserved(typeSubscription + "/" + c.Param("id"))
	}
	if err := s.maySubscription(c, MayRead); err != nil {
		return err
	}
	sh, err := s.shaped(c.Request(), typeSubscription)
	if err != nil {
		return err
	}
	if !sh.whole() {
		return badParameter("_summary", "not-supported", "not supported here; nor is _elements")
	}
	sub, err := s.ownSubscription(c)
	if err != nil {
		return err
	}
	return s.answerSubscription(c, http.StatusOK, sub, true)
}

// answerSubscription answers with the resource, or as it was preferred.
func (s *server) answerSubscription(c echo.Context, status int, sub record.Subscription, whole bool) error {
	tag := `W/"` + strconv.FormatInt(sub.Version, 10) + `"`
	h := c.Response().Header()
	h.Set("ETag", tag)
	h.Set(echo.HeaderLastModified, sub.UpdatedAt.UTC().Format(http.TimeFormat))
	if status == http.StatusOK && c.Request().Method != http.MethodPut && unchanged(c.Request().Header, tag, sub.UpdatedAt) {
		setCaching(h)
		return c.NoContent(http.StatusNotModified)
	}
	if !whole {
		setCaching(h)
		return c.NoContent(status)
	}
	body, err := shownSubscription(sub)
	if err != nil {
		return err
	}
	return write(c, status, body)
}

func (s *server) createSubscription(c echo.Context) error {
	if err := s.maySubscription(c, MayCreate); err != nil {
		return err
	}
	if err := acceptable(c.Request(), c.QueryParam("_format")); err != nil {
		return err
	}
	if header(c, "If-None-Exist") != "" {
		return &failure{status: http.StatusPreconditionFailed, code: "not-supported", diagnostics: "a subscription can't be created conditionally"}
	}
	body, err := jsonBody(c, maxSubscription)
	if err != nil {
		return err
	}
	in, err := readSubscriptionBody(body)
	if err != nil {
		return err
	}
	sub, err := s.subscribe(c.Request(), in, nil)
	if err != nil {
		return err
	}
	sub, err = s.opts.Subscriptions.Store.AddSubscription(c.Request().Context(), sub, maxSubscriptions)
	if errors.Is(err, record.ErrTooMany) {
		return &failure{
			status: http.StatusUnprocessableEntity, code: "too-costly", diagnostics: fmt.Sprintf("at most %d subscriptions; delete one", maxSubscriptions),
		}
	}
	if err != nil {
		return err
	}
	audit.Resource(c.Request().Context(), typeSubscription, sub.ID)
	c.Response().Header().Set(echo.HeaderLocation, s.opts.BaseURL(c.Request())+"/Subscription/"+sub.ID)
	return s.answerSubscription(c, http.StatusCreated, sub, !prefers(c.Request().Header, "return", returnMinimal))
}

func (s *server) updateSubscription(c echo.Context) error {
	if err := s.maySubscription(c, MayUpdate); err != nil {
		return err
	}
	if err := acceptable(c.Request(), c.QueryParam("_format")); err != nil {
		return err
	}
	body, err := jsonBody(c, maxSubscription)
	if err != nil {
		return err
	}
	in, err := readSubscriptionBody(body)
	if err != nil {
		return err
	}
	if in.ID != c.Param("id") {
		return badSubscription(http.StatusBadRequest, "value", "Subscription.id", "it has to be the id of the address")
	}
	standing, err := s.ownSubscription(c)
	if err != nil {
		return err
	}
	// What the client says is read outside the transaction, and once more compared
	// inside.
	changed, err := s.subscribe(c.Request(), in, &standing)
	if err != nil {
		return err
	}
	match := header(c, "If-Match")
	sub, err := s.opts.Subscriptions.Store.ChangeSubscription(c.Request().Context(), standing.ID, func(now *record.Subscription) error {
		if now.Status == record.SubscriptionGone {
			return gone()
		}
		if match != "" && match != "*" && strings.TrimPrefix(match, "W/") != `"`+strconv.FormatInt(now.Version, 10)+`"` {
			return &failure{status: http.StatusPreconditionFailed, code: "conflict", diagnostics: "it has been changed since; read it again"}
		}
		if now.Version != standing.Version && changed.Status == standing.Status {
			// Its endpoint was reached or failed meanwhile, which the client did not see.
			changed.Status, changed.Failures, changed.Error, changed.DueAt = now.Status, now.Failures, now.Error, now.DueAt
		}
		changed.Version, changed.ReachedAt = now.Version, now.ReachedAt
		*now = changed
		return nil
	})
	if err != nil {
		return err
	}
	return s.answerSubscription(c, http.StatusOK, sub, !prefers(c.Request().Header, "return", returnMinimal))
}

func (s *server) deleteSubscription(c echo.Context) error {
	// Nobody is granted to delete; and it is no more than to turn one's own off.
	if err := s.maySubscription(c, MayUpdate); err != nil {
		return err
	}
	sub, err := s.ownSubscription(c)
	var f *failure
	if errors.As(err, &f) && f.status == http.StatusGone {
		return c.NoContent(http.StatusNoContent)
	}
	if err != nil {
		return err
	}
	if _, err := s.opts.Subscriptions.Store.ChangeSubscription(c.Request().Context(), sub.ID, func(now *record.Subscription) error {
		now.Status, now.Headers = record.SubscriptionGone, []string{}
		return nil
	}); err != nil {
		return err
	}
	setCaching(c.Response().Header())
	return c.NoContent(http.StatusNoContent)
}

// searchSubscriptions lists the client's own, which are few: there are no pages.
func (s *server) searchSubscriptions(c echo.Context) error {
	r := c.Request()
	if err := s.maySubscription(c, MaySearch); err != nil {
		return err
	}
	pairs, err := sentPairs(c)
	if err != nil {
		return err
	}
	notePairs(r.Context(), pairs)
	p := s.parser(r)
	var sh shape
	doc := bundle{kind: "searchset", self: s.opts.BaseURL(r) + "/Subscription"}
	var wanted []func(record.Subscription) bool
	countOnly := false
	for _, in := range pairs {
		values, ok := alternatives(in.value)
		if !ok {
			return badParameter(in.name, "invalid", "a value is missing")
		}
		for i := range values {
			values[i] = unescapeValue(values[i])
		}
		switch in.name {
		case "_id":
			wanted = append(wanted, func(sub record.Subscription) bool { return slices.Contains(values, sub.ID) })
		case "status":
			wanted = append(wanted, coded(values, systemSubscriptionStatus, func(sub record.Subscription) string { return string(sub.Status) }))
		case "type":
			wanted = append(wanted, coded(values, systemChannelType, func(record.Subscription) string { return "rest-hook" }))
		case "url":
			wanted = append(wanted, func(sub record.Subscription) bool { return slices.Contains(values, sub.Endpoint) })
		case "criteria":
			wanted = append(wanted, func(sub record.Subscription) bool {
				return slices.ContainsFunc(values, func(v string) bool { return strings.HasPrefix(fold(sub.Criteria), fold(v)) })
			})
		case "_summary":
			if countOnly = in.value == summaryCount; !countOnly && in.value != summaryFalse {
				return badParameter(in.name, "not-supported", "accepted: count, false")
			}
		case "_count": // all of them fit on one page
			n, err := strconv.Atoi(in.value)
			if err != nil || n < 0 {
				return badParameter(in.name, "invalid", "not a whole number of at least 0")
			}
			countOnly = countOnly || n == 0
		case "_format":
			sh.format = in.value
		default:
			if p.strict {
				return badParameter(in.name, "not-supported", "not supported here")
			}
			continue
		}
		separator := "&"
		if !strings.Contains(doc.self, "?") {
			separator = "?"
		}
		doc.self += separator + url.QueryEscape(in.name) + "=" + url.QueryEscape(in.value)
	}
	if err := acceptable(r, sh.format); err != nil {
		return err
	}
	list, err := s.opts.Subscriptions.Store.Subscriptions(r.Context(), s.sender(r))
	if err != nil {
		return err
	}
	for _, sub := range list {
		if slices.ContainsFunc(wanted, func(meets func(record.Subscription) bool) bool { return !meets(sub) }) {
			continue
		}
		doc.total++
		body, err := shownSubscription(sub)
		if err != nil {
			return err
		}
		if !countOnly {
			doc.entries = append(doc.entries, entry{resource: record.Published{Type: typeSubscription, ID: sub.ID, Body: body}, mode: "match"})
		}
	}
	return s.writeBundle(c, p.base, doc, sh)
}

// coded compares a code with search values of the form code, system|code or |code.
func coded(values []string, system string, of func(record.Subscription) string) func(record.Subscription) bool {
	return func(sub record.Subscription) bool {
		return slices.ContainsFunc(values, func(v string) bool {
			named, code, ok := strings.Cut(v, "|")
			if !ok {
				return v == of(sub)
			}
			return named == system && (code == "" || code == of(sub))
		})
	}
}
