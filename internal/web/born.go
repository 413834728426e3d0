package web

import (
	"crypto/subtle"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Links of a candidate's own, to a questionnaire and to the own page, open with the date
// of birth, and a browser in which it was given goes on without it for a time.

// bornOn takes an attempt at a link from its form. Look finds whose it is, nil where the
// link opens nothing, which is answered like a wrong date: with what denied says. It
// returns the status of the answer and what is wrong, empty where nothing is.
func (s *server) bornOn(c echo.Context, digest, denied string, look func() (*record.Candidate, error)) (status int, problem string, err error) {
	form := c.Request().PostForm
	born, ok := birthDate(form.Get("born-day"), form.Get("born-month"), form.Get("born-year"))
	if !ok {
		return http.StatusUnprocessableEntity, myBadDate, nil
	}
	byLink, byAddress := "link "+digest, addressPrefix+s.address(c)
	if wait, ok := s.limiter.take(byLink, byAddress); !ok {
		c.Response().Header().Set("Retry-After", strconv.Itoa(int((wait+time.Second-1)/time.Second)))
		return http.StatusTooManyRequests, fmt.Sprintf(myTooMany, plural(int((wait+time.Minute-1)/time.Minute), "minute")), nil
	}
	found, err := look()
	if err != nil {
		return 0, "", err
	}
	expected := ""
	if found != nil {
		expected = string(found.Identity.BirthDate)
	}
	if subtle.ConstantTimeCompare([]byte(expected), []byte(born)) != 1 || found == nil {
		return http.StatusForbidden, denied, nil
	}
	s.limiter.release(byLink, byAddress)
	audit.About(c.Request().Context(), found.ID)
	return http.StatusOK, "", nil
}

// setVisitCookie keeps what a browser is recognised by below the address of a link, or
// takes it away where the lifetime is below zero.
func (s *server) setVisitCookie(c echo.Context, name, path, visit string, lifetime time.Duration) {
	c.SetCookie(&http.Cookie{
		Name: name, Value: visit, Path: path, MaxAge: int(lifetime / time.Second),
		HttpOnly: true, Secure: s.Secure, SameSite: http.SameSiteStrictMode,
	})
}

// birthDate puts a date of birth together from what was written.
func birthDate(day, month, year string) (journey.Date, bool) {
	d, errDay := strconv.Atoi(strings.TrimSpace(day))
	m, errMonth := strconv.Atoi(strings.TrimSpace(month))
	y, errYear := strconv.Atoi(strings.TrimSpace(year))
	// A year such as 79 is a slip, and no attempt with a wrong date.
	if errDay != nil || errMonth != nil || errYear != nil || y < 1000 {
		return "", false
	}
	date, err := journey.ParseDate(fmt.Sprintf("%04d-%02d-%02d", y, m, d))
	return date, err == nil
}
