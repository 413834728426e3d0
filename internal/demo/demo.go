// Package demo fills an empty record with an invented programme: two dozen
// candidates spread over all stages. It drives real workflows through the same
// commands that people give, at times in the past, and writes no row itself.
// Nobody in it is real.
package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/testdata/bundles"
)

const (
	// baseSetting keeps the day the demonstration was made for, so that an
	// interrupted load goes on with the same dates.
	baseSetting = "demo-base"
	// loadedSetting says that everything is on record.
	loadedSetting = "demo-loaded"
	// atOnce bounds how many candidates are played at the same time.
	atOnce = 4
)

// person is one entry of the manifest beside the bundles.
type person struct {
	ID            string       `json:"id"`
	MRN           string       `json:"mrn"`
	Given         string       `json:"given"`
	Family        string       `json:"family"`
	BirthDate     journey.Date `json:"birthDate"`
	Sex           string       `json:"sex"`
	ReferralDate  journey.Date `json:"referralDate"`
	OperationDate journey.Date `json:"operationDate"`
	Files         []file       `json:"files"`
}

type file struct {
	Kind       string    `json:"kind"`
	Name       string    `json:"name"`
	LastIssued time.Time `json:"lastIssued"`
}

type manifest struct {
	Base       journey.Date `json:"base"`
	MRNSystem  string       `json:"mrnSystem"`
	Candidates []person     `json:"candidates"`
}

func readManifest() (manifest, error) {
	var m manifest
	raw, err := bundles.Files.ReadFile("manifest.json")
	if err != nil {
		return m, fmt.Errorf("read the demonstration's manifest: %w", err)
	}
	if err := json.Unmarshal(raw, &m); err != nil {
		return m, fmt.Errorf("read the demonstration's manifest: %w", err)
	}
	return m, nil
}

// Load plays the whole programme up to now, unless it is on record already. The
// journeys stand still until Release.
func Load(ctx context.Context, store *record.Store, d *dispatch.Dispatcher, now time.Time, progress func(done, all int)) error {
	if err := addAccounts(ctx, store); err != nil {
		return err
	}
	loaded, err := store.Setting(ctx, loadedSetting)
	if err != nil || loaded != "" {
		return err
	}
	m, err := readManifest()
	if err != nil {
		return err
	}
	base, err := fixedBase(ctx, store, journey.DateOf(now, d.Current.Zone()))
	if err != nil {
		return err
	}
	var done atomic.Int64
	group, playing := errgroup.WithContext(ctx)
	group.SetLimit(atOnce)
	for _, p := range m.Candidates {
		group.Go(func() error {
			s := newScript(store, d, m, p, base, now)
			if err := s.play(playing); err != nil {
				return fmt.Errorf("play %s: %w", p.ID, err)
			}
			progress(int(done.Add(1)), len(m.Candidates))
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	if err := meetings(ctx, store, base); err != nil {
		return err
	}
	return store.SetSetting(ctx, loadedSetting, now.UTC().Format(time.RFC3339))
}

// Release lets every journey that Load played run by the clock.
func Release(ctx context.Context, store *record.Store, d *dispatch.Dispatcher) error {
	return store.EachOpen(ctx, func(r record.Resumable) error {
		if !r.State.BackEntry {
			return nil
		}
		return d.EndBackEntry(ctx, r.ID)
	})
}

func fixedBase(ctx context.Context, store *record.Store, today journey.Date) (journey.Date, error) {
	stored, err := store.Setting(ctx, baseSetting)
	if err != nil || stored != "" {
		return journey.Date(stored), err
	}
	return today, store.SetSetting(ctx, baseSetting, string(today))
}

// script plays one candidate.
type script struct {
	store      *record.Store
	dispatcher dispatch.Dispatcher
	manifest   manifest
	person     person
	// shift is how many days the manifest's dates are moved.
	shift     int
	base      journey.Date
	now       time.Time
	at        time.Time
	candidate string
	step      int
	// seq is the number of the last entry that was given.
	seq int64
}

func newScript(store *record.Store, d *dispatch.Dispatcher, m manifest, p person, base journey.Date, now time.Time) *script {
	s := &script{store: store, dispatcher: *d, manifest: m, person: p, shift: m.Base.DaysUntil(base), base: base, now: now}
	s.dispatcher.BackEntry = true
	s.dispatcher.Now = func() time.Time { return s.at }
	return s
}

// day is a date of the manifest moved to the demonstration's own calendar.
func (s *script) day(d journey.Date) journey.Date { return d.AddDays(s.shift) }

// on sets the clock to a time of day, never after now and never back.
func (s *script) on(d journey.Date, hour, minute int) {
	s.advance(d.Start(s.dispatcher.Current.Zone()).Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute))
}

// advance moves the clock on, never past now and never back.
func (s *script) advance(at time.Time) {
	if at.After(s.now) {
		at = s.now
	}
	if at.After(s.at) {
		s.at = at
	}
}

// give submits one command as somebody.
func (s *script) give(ctx context.Context, actor string, role journey.Role, kind journey.Kind, body command.Body) error {
	s.step++
	receipt, err := s.dispatcher.Submit(ctx, dispatch.Request{
		Candidate: s.candidate, Key: fmt.Sprintf("demo/%s/%03d", s.person.ID, s.step),
		Kind: kind, Actor: actor, Role: role, Body: body,
	})
	if err != nil {
		return fmt.Errorf("%s on %s: %w", kind, journey.DateOf(s.at, s.dispatcher.Current.Zone()), err)
	}
	s.candidate, s.seq = receipt.Candidate, receipt.Seq
	return nil
}

// file returns the candidate's laboratory file of a kind.
func (s *script) file(kind string) (file, bool) {
	i := slices.IndexFunc(s.person.Files, func(f file) bool { return f.Kind == kind })
	if i < 0 {
		return file{}, false
	}
	return s.person.Files[i], true
}

// read reads the results of the candidate's file of a kind.
func (s *script) read(kind string) (reading.Group, file, error) {
	f, ok := s.file(kind)
	if !ok {
		return reading.Group{}, f, fmt.Errorf("there is no file of kind %s", kind)
	}
	raw, err := bundles.Files.ReadFile(f.Name)
	if err != nil {
		return reading.Group{}, f, fmt.Errorf("read a bundle: %w", err)
	}
	message, err := intake.One(raw)
	if err != nil {
		return message, f, fmt.Errorf("%s: %w", f.Name, err)
	}
	return message, f, nil
}

// receive takes in one of the laboratory's files, a little after it was issued.
func (s *script) receive(ctx context.Context, kind string) error {
	message, f, err := s.read(kind)
	if err != nil {
		return err
	}
	for i := range message.Results {
		s.move(&message.Results[i])
	}
	s.advance(f.LastIssued.AddDate(0, 0, s.shift).Add(time.Hour))
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordResults, &command.RecordResults{Results: message.Results})
}

// issued is the day a file was complete.
func (s *script) issued(kind string) journey.Date {
	f, ok := s.file(kind)
	if !ok {
		return ""
	}
	return s.day(journey.DateOf(f.LastIssued, s.dispatcher.Current.Zone()))
}

// move shifts a reported result to the demonstration's calendar.
func (s *script) move(r *command.Result) {
	times := []*string{&r.Effective, &r.EffectiveEnd, &r.Issued}
	if r.Report != nil {
		times = append(times, &r.Report.Issued)
	}
	for _, text := range times {
		if at, err := time.Parse(time.RFC3339, *text); err == nil {
			*text = at.AddDate(0, 0, s.shift).Format(time.RFC3339)
		}
	}
}

func (s *script) identifier() result.Identifier {
	return result.Identifier{System: s.manifest.MRNSystem, Value: s.person.MRN}
}

// bloodTypes reads the two samples from the candidate's own file, as the people
// at the operating table read them from the source reports.
func (s *script) bloodTypes() (first, second string, err error) {
	message, _, err := s.read("evaluation")
	if err != nil {
		return "", "", err
	}
	samples := protocol.BloodTypes(recorded(message.Results, s.dispatcher.Current.Zone()))
	if len(samples) != 2 {
		return "", "", fmt.Errorf("%d blood-type samples, want 2", len(samples))
	}
	return samples[0].Type, samples[1].Type, nil
}

func recorded(reported []command.Result, zone *time.Location) []result.Result {
	results := make([]result.Result, len(reported))
	for i, r := range reported {
		results[i] = r.Record(r.Identifier.Value, 1, zone)
	}
	return results
}
