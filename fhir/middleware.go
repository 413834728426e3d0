package fhir

import (
	"net/http"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// smallest is the least size of an answer that is worth to be compressed, in
// bytes.
const smallest = 1024

// Middleware is what stands in front of authentication on the group of the FHIR
// endpoint: it lets scripts of other origins in, who have to show a token like
// any client, gives every request an id, and compresses answers.
func Middleware() []echo.MiddlewareFunc {
	return []echo.MiddlewareFunc{
		requestID,
		middleware.CORSWithConfig(middleware.CORSConfig{
			AllowOrigins: []string{"*"},
			AllowMethods: []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete},
			AllowHeaders: []string{
				echo.HeaderAuthorization, echo.HeaderContentType, echo.HeaderAccept, "If-Match", "If-None-Match", "If-None-Exist",
				echo.HeaderIfModifiedSince, "Prefer", echo.HeaderXRequestID, "Range", "If-Range",
			},
			ExposeHeaders: []string{
				"ETag", echo.HeaderLastModified, echo.HeaderLocation, "Content-Location", echo.HeaderXRequestID, echo.HeaderRetryAfter, "X-Progress", "Expires", "Content-Range",
			},
			MaxAge: 600,
		}),
		middleware.GzipWithConfig(middleware.GzipConfig{
			// A part of an answer is counted in its own bytes. Files of exports are
			// compressed where they are kept.
			Skipper: func(c echo.Context) bool {
				return c.Request().Header.Get("Range") != "" || strings.Contains(c.Request().URL.Path, exportFiles)
			},
			Level: 1, MinLength: smallest,
		}),
	}
}

// requestID answers with the id of the request: the client's own if it is a UUID,
// since anything else may be a value that went astray and would stand in logs.
func requestID(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := uuid.Parse(c.Request().Header.Get(echo.HeaderXRequestID))
		if err != nil {
			id = uuid.New()
		}
		c.Response().Header().Set(echo.HeaderXRequestID, id.String())
		return next(c)
	}
}
