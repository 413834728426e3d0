package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// referralModel is the model of the referral form.
type referralModel struct {
	Form form
	// Alike are candidates who may be the same person.
	Alike []alikeModel
}

func referralForm(system string) form {
	return form{
		ID: "refer", Action: pathNew, Button: "Record the referral", Key: newKey(), Fields: []field{
			{Name: "given", Label: "Given names", Type: "text", Complete: "off"},
			{Name: "family", Label: "Family name", Type: "text", Complete: "off"},
			{Name: "birth_date", Label: "Birth date", Type: "date", Complete: "off"},
			{Name: "sex", Label: "Sex for laboratory equations", Type: "select", Hint: "Equations need female or male. With anything else they say that they cannot decide.", Options: []option{
				{"", "Choose"}, {"female", "Female"}, {"male", "Male"}, {"other", "Other"}, {"unknown", "Unknown"},
			}},
			{Name: "identifier_system", Label: "Numbering system of the identifier", Type: "text", Value: system, Complete: "off",
				Hint: "The URI of the hospital's numbering, such as urn:oid: and its digits. It is the same for all patients of the hospital."},
			{Name: "identifier_value", Label: "Hospital identifier", Type: "text", Complete: "off"},
			{Name: "path", Label: "Donation", Type: "radio", Options: []option{
				{"direct", "To a known recipient"}, {"paired", "Paired exchange"}, {"nondirected", "To nobody in particular"},
			}},
			{Name: "recipient", Label: "Recipient reference", Type: "text", Optional: true, Complete: "off",
				Hint: "Needed for a known recipient. An internal reference of letters, digits, dots and hyphens; never a name. Only coordinators see it."},
		},
	}
}

func (s *server) newReferral(c echo.Context) error {
	system, err := s.usualSystem(c.Request().Context())
	if err != nil {
		return err
	}
	f := referralForm(system)
	f.fill(nil, nil)
	return s.render(c, http.StatusOK, "referral", page{Title: "New referral", Body: referralModel{Form: f}})
}

// usualSystem is the numbering of an identifier on record: a programme has one,
// and nobody should type its URI twice.
func (s *server) usualSystem(ctx context.Context) (string, error) {
	list, err := s.Store.Candidates(ctx, "", "", 1)
	if err != nil || len(list) == 0 {
		return "", err
	}
	return list[0].Identity.Identifier.System, nil
}

func referralField(name string) string {
	switch name {
	case "identifier", "identifier.value":
		return "identifier_value"
	case "identifier.system":
		return "identifier_system"
	default:
		return name
	}
}

// refer records a referral, after the coordinator has compared the person with those on
// record who may be the same.
func (s *server) refer(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	v, ctx, values := s.viewer(account), c.Request().Context(), c.Request().PostForm
	body := &command.Referral{
		Given: strings.TrimSpace(values.Get("given")), Family: strings.TrimSpace(values.Get("family")),
		BirthDate: journey.Date(values.Get("birth_date")), Sex: values.Get("sex"), Path: values.Get("path"),
		Identifier: result.Identifier{System: strings.TrimSpace(values.Get("identifier_system")), Value: strings.TrimSpace(values.Get("identifier_value"))},
		Recipient:  strings.TrimSpace(values.Get("recipient")),
	}
	key := values.Get("key")
	if command.Validate(body) == nil {
		found, err := s.alike(ctx, v, identityOf(body), dispatch.ReferralID(v.ID, key))
		if err != nil {
			return err
		}
		compared, reason := strings.Fields(values.Get("compared")), strings.TrimSpace(values.Get("distinct_reason"))
		unseen := slices.ContainsFunc(found, func(m alikeModel) bool { return m.taken || !slices.Contains(compared, m.Candidate) })
		if len(found) > 0 && (unseen || reason == "") {
			return s.askAboutAlike(c, values, found, key)
		}
		if len(found) > 0 {
			body.DistinctFrom, body.DistinctReason = idsIn(found), reason
		}
	}
	limited, cancel := context.WithTimeout(ctx, submitTimeout)
	defer cancel()
	receipt, err := s.Dispatcher.Submit(limited, dispatch.Request{Key: key, Kind: journey.Refer, Actor: v.ID, Role: v.Role, Body: body})
	if err == nil {
		return c.Redirect(http.StatusSeeOther, "/candidates/"+receipt.Candidate+"?done="+string(journey.Refer))
	}
	status, title, problems, keep, ok := refused(s.Current, err, referralField)
	if !ok {
		return err
	}
	f := referralForm("")
	if keep {
		f.Key = key
	}
	f.fill(values, problems)
	return s.render(c, status, "referral", page{
		Title: "Error: New referral", Errors: f.summary(title, problems), Body: referralModel{Form: f},
	})
}

// askAboutAlike shows who may be the same person. What the coordinator has compared comes
// back with the form, so that somebody who was recorded meanwhile is shown too.
func (s *server) askAboutAlike(c echo.Context, values url.Values, found []alikeModel, key string) error {
	f := referralForm("")
	f.Key = key
	text := "Somebody on record may be the same person. Compare them below: open the one on record, or say why this is another person."
	taken := slices.ContainsFunc(found, func(m alikeModel) bool { return m.taken })
	if taken {
		text = "Somebody on record has this identifier, and it belongs to one person. Open the one on record, or correct the identifier."
	} else {
		f.Fields = append(f.Fields,
			field{Name: "compared", Type: "hidden", Value: strings.Join(idsIn(found), " ")},
			field{Name: "distinct_reason", Label: "Another person, because", Type: "textarea",
				Hint: "It is kept with the referral. Say what tells them apart, such as: twins, both have called. Name nobody."})
	}
	var problems []problem
	anchor := "alike"
	if !taken && values.Has("compared") {
		problems = []problem{{Text: "Say why this is another person than those below.", Field: "distinct_reason"}}
		anchor = "refer-distinct_reason"
		text = problems[0].Text
	}
	f.fill(values, problems)
	return s.render(c, http.StatusConflict, "referral", page{
		Title: "Error: New referral", Body: referralModel{Form: f, Alike: found},
		Errors: &summary{Title: "Nothing was recorded: this may be a duplicate", Items: []problem{{Text: text, Field: anchor}}},
	})
}
