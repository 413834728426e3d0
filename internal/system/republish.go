package system

import (
	"context"
	"fmt"

	"candidacy/activities"
	"candidacy/fhir"
)

// The settings that hold the scheme under which everything is published, and, while
// that is being changed, how far it has come.
const (
	settingScheme   = "published-scheme"
	settingProgress = "published-scheme-progress"
)

// republishBlock is after how many candidates the progress is noted.
const republishBlock = 200

// republish publishes every candidate as this version of the software does, when
// another one did it before. When it is stopped, the next start goes on.
func (s *System) republish(ctx context.Context, a *activities.Activities) error {
	scheme := fhir.Scheme()
	before, err := s.Store.Setting(ctx, settingScheme)
	if err != nil || before == scheme {
		return err
	}
	noted, err := s.Store.Setting(ctx, settingProgress)
	if err != nil {
		return err
	}
	after, done := "", 0
	// Progress under another scheme is of no use.
	if _, err := fmt.Sscanf(noted, scheme+" %d %s", &done, &after); err != nil {
		after, done = "", 0
	}
	all, err := s.Store.CountCandidates(ctx)
	if err != nil {
		return err
	}
	report := s.options.Republishing
	if report == nil {
		report = func(int, int) {}
	}
	for {
		ids, err := s.Store.CandidateIDs(ctx, after, republishBlock)
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := a.Republish(ctx, id); err != nil {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				// The others must not wait for it; the next command says the same.
				s.options.Log.Error("a candidate could not be published again", "candidate", id, "error", err)
			}
			done++
			report(done, max(all, done))
		}
		if len(ids) < republishBlock {
			break
		}
		after = ids[len(ids)-1]
		if err := s.Store.SetSetting(ctx, settingProgress, fmt.Sprintf("%s %d %s", scheme, done, after)); err != nil {
			return err
		}
	}
	return s.Store.SetSetting(ctx, settingScheme, scheme)
}
