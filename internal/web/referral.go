package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// referralModel is the model of the referral form.
type referralModel struct {
	Form form
	// Likely are candidates who may be the same person.
	Likely []likely
}

// likely is one candidate who may be the same person.
type likely struct{ Name, Identifier, Born, Stage, Link string }

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

// refer records a referral, after the coordinator has looked at the people who
// may be the same.
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
	if command.Validate(body) == nil && !values.Has("confirm") {
		found, err := s.likely(ctx, v, body)
		if err != nil {
			return err
		}
		if len(found) > 0 {
			return s.askAboutLikely(c, values, found, key)
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

// likely finds visible candidates of the same family name and birth date. One
// with the same identifier is left to the dispatcher, which knows a form that
// was sent twice from a second referral.
func (s *server) likely(ctx context.Context, v *viewer, body *command.Referral) ([]likely, error) {
	all, err := s.visible(ctx, v, record.Filter{Born: body.BirthDate})
	if err != nil {
		return nil, err
	}
	var list []likely
	for _, c := range all {
		if !sameName(c.Identity.Family, body.Family) || c.Identity.Identifier == body.Identifier {
			continue
		}
		list = append(list, likelyOf(v, c))
	}
	return list, nil
}

func sameName(a, b string) bool {
	fold := func(name string) string { return strings.Join(strings.Fields(strings.ReplaceAll(name, "-", " ")), " ") }
	return strings.EqualFold(fold(a), fold(b))
}

func likelyOf(v *viewer, c record.Candidate) likely {
	return likely{
		Name: v.name(c), Identifier: v.identifier(c), Born: dayWord(c.Identity.BirthDate),
		Stage: stageWord(c.State.Stage), Link: "/candidates/" + c.ID,
	}
}

func (s *server) askAboutLikely(c echo.Context, values url.Values, found []likely, key string) error {
	f := referralForm("")
	f.Key = key
	f.Fields = append(f.Fields, field{Name: "confirm", Label: "I looked at them: this is another person", Type: "checkbox"})
	f.fill(values, nil)
	problems := []problem{{Text: "Somebody on record has the same family name and birth date. Look at the list, then confirm that this is another person.", Field: "confirm"}}
	return s.render(c, http.StatusConflict, "referral", page{
		Title: "Error: New referral", Body: referralModel{Form: f, Likely: found},
		Errors: &summary{Title: "Nothing was recorded: this may be a duplicate", Items: []problem{{Text: problems[0].Text, Field: "refer-confirm"}}},
	})
}
