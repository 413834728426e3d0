package population_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"candidacy/fhir"
	"candidacy/internal/conformance"
	"candidacy/internal/journey"
	"candidacy/internal/population"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// fromEnv is a number that the environment may set.
func fromEnv(t testing.TB, name string, otherwise int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		t.Fatalf("%s: %q is not a number", name, text)
	}
	return n
}

// programmes are the protocols of the journeys: the default one, the brief one,
// and programmes that ask for some of the default one, which most are referred on.
var programmes = sync.OnceValues(func() ([]*protocol.Protocol, error) {
	list := []*protocol.Protocol{protocol.Default(), protocoltest.Brief()}
	for n, about := range []int{500, 8, 8, 12, 12, 16, 16, 24} {
		sample, err := population.Sample(list[0].Source(), rand.New(rand.NewPCG(uint64(n), 3)), fmt.Sprintf("sample-%d", n), about)
		if err != nil {
			return nil, err
		}
		list = append(list, sample)
		for range 4 {
			if n > 0 {
				list = append(list, sample)
			}
		}
	}
	return list, nil
})

func open(t testing.TB, folder string) *population.Programme {
	t.Helper()
	protocols, err := programmes()
	if err != nil {
		t.Fatal(err)
	}
	p, err := population.Open(t.Context(), filepath.Join(folder, "records.db"), fhir.Publisher{}, protocols...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	// As the program does when it starts.
	publish := func(list []record.Resource, err error) {
		t.Helper()
		if err == nil {
			err = p.Store.PublishProgramme(t.Context(), list)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	publish(fhir.ProgrammeResources(nil, ""))
	for _, one := range protocols {
		publish(fhir.Questionnaires(one))
	}
	return p
}

// memory is a folder in memory where there is one: a disk is flushed with every
// command.
func memory(t testing.TB) string {
	t.Helper()
	folder, err := os.MkdirTemp("/dev/shm", "candidacy-journeys")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	return folder
}

// origin is where a line that is validated comes from.
type origin struct {
	seed    uint64
	name    string
	version int64
	// played says that a journey led to it: other lines are of the programme.
	played bool
}

func (o origin) String() string {
	return fmt.Sprintf("seed %d, %s version %d", o.seed, o.name, o.version)
}

// sheet is NDJSON with the origin of each line.
type sheet struct {
	lines   bytes.Buffer
	origins []origin
}

func (s *sheet) add(line []byte, of origin) {
	s.lines.Write(line)
	s.lines.WriteByte('\n')
	s.origins = append(s.origins, of)
}

// outcome is what was found in the journeys.
type outcome struct {
	mu sync.Mutex
	// reached counts what the journeys came by, published the versions of each
	// type of resource.
	reached   map[string]int
	published map[string]int
	commands  int
	refused   int
	bytes     int
	playing   time.Duration
	// shapes holds one resource of each shape, whole every version of the first
	// journeys.
	shapes *conformance.Shapes
	novel  sheet
	whole  sheet
	// standing holds what stands of the first journeys in the end.
	standing sheet
	// faults are what the journeys themselves show.
	faults []found
}

// found is a fault and the journey that has it.
type found struct {
	origin
	message string
}

// entire is how many journeys are validated as they are, with every version and
// every reference.
const entire = 6

// servers is how many journeys are held together against the invariants of a
// server.
const servers = 100

// playAll plays journeys by several people at once, each in a store of their own.
func playAll(t *testing.T, first, count int) *outcome {
	t.Helper()
	all := &outcome{reached: map[string]int{}, published: map[string]int{}, shapes: conformance.NewShapes()}
	var next atomic.Int64
	group, ctx := errgroup.WithContext(t.Context())
	for i := range min(runtime.GOMAXPROCS(0), 4) {
		programme := open(t, memory(t))
		shared, err := versionsOf(t.Context(), programme.Store, "")
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if err := all.examine(0, shared, true); err != nil {
				t.Fatal(err)
			}
			all.stand(0, shared)
		}
		group.Go(func() error {
			for {
				n := int(next.Add(1) - 1)
				if n >= count {
					return nil
				}
				if err := all.play(ctx, programme, shared, uint64(first+n), n); err != nil {
					return err
				}
			}
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	return all
}

// play plays the nth journey.
func (a *outcome) play(ctx context.Context, programme *population.Programme, shared []record.Published, seed uint64, n int) error {
	began := time.Now()
	j, err := programme.Play(ctx, seed)
	spent := time.Since(began)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.playing += spent
	for what, n := range j.Reached {
		a.reached[what] += n
	}
	for _, s := range j.Steps {
		if s.Refused == "" {
			a.commands++
			a.reached["command "+string(s.Kind)]++
		} else {
			a.refused++
		}
	}
	if err != nil {
		a.faults = append(a.faults, found{origin{seed: seed, name: "the journey", played: true}, err.Error()})
		return nil
	}
	versions, err := versionsOf(ctx, programme.Store, j.Candidate)
	if err != nil {
		return err
	}
	events, err := programme.Store.Events(ctx, j.Candidate)
	if err != nil {
		return err
	}
	for _, e := range events {
		for _, d := range e.Fired {
			a.reached["deadline "+string(d.Kind)]++
		}
	}
	for _, f := range faultsOf(j, versions, shared) {
		a.faults = append(a.faults, found{origin{seed, f.name, f.version, true}, f.message})
	}
	if n < servers {
		a.stand(seed, versions)
	}
	return a.examine(seed, versions, n < entire)
}

// examine takes versions over for the validators.
func (a *outcome) examine(seed uint64, versions []record.Published, whole bool) error {
	for _, v := range versions {
		of := origin{seed, v.Type + "/" + v.ID, v.Version, v.Candidate != ""}
		a.published[v.Type]++
		a.reached["published "+v.Type]++
		var has struct{ Status string }
		if err := json.Unmarshal(v.Body, &has); err != nil {
			return err
		}
		if has.Status != "" {
			a.reached[v.Type+" "+has.Status]++
		}
		a.bytes += len(v.Body)
		if whole {
			a.whole.add(v.Body, of)
		}
		line, err := a.shapes.Add(v.Body)
		if err != nil {
			return err
		}
		if line != nil {
			a.novel.add(line, of)
		}
	}
	return nil
}

// stand keeps the newest version of each resource.
func (a *outcome) stand(seed uint64, versions []record.Published) {
	newest := map[string]record.Published{}
	for _, v := range versions {
		if name := v.Type + "/" + v.ID; newest[name].Version < v.Version {
			newest[name] = v
		}
	}
	for _, name := range slices.Sorted(maps.Keys(newest)) {
		a.standing.add(newest[name].Body, origin{seed, name, newest[name].Version, newest[name].Candidate != ""})
	}
}

func versionsOf(ctx context.Context, store *record.Store, candidate string) ([]record.Published, error) {
	var list []record.Published
	err := store.EachVersion(ctx, candidate, func(v record.Published) error {
		list = append(list, v)
		return nil
	})
	return list, err
}

// fault is what one version of a resource shows by itself.
type fault struct {
	name    string
	version int64
	message string
}

// faultsOf looks for what must not be in anything that is published, and for
// references that point to nothing. Shared are the resources of the programme.
func faultsOf(j population.Journey, versions, shared []record.Published) []fault {
	var faults []fault
	known := conformance.Known{}
	for _, v := range slices.Concat(versions, shared) {
		known.Add(v.Type+"/"+v.ID, strconv.FormatInt(v.Version, 10))
	}
	forms := canonicals(shared)
	kept := keptBack(j)
	for _, v := range versions {
		fail := func(format string, args ...any) {
			faults = append(faults, fault{v.Type + "/" + v.ID, v.Version, v.Type + " " + fmt.Sprintf(format, args...)})
		}
		for _, mark := range []string{population.Secret, population.Told, population.RecipientMark, population.Reach} {
			if bytes.Contains(v.Body, []byte(mark)) {
				fail("tells %q", mark)
			}
		}
		for _, code := range kept {
			if bytes.Contains(v.Body, []byte(code)) {
				fail("has %s, which is told in confidence", code)
			}
		}
		if form := canonicalOf(v.Body); form != "" && !slices.Contains(forms, form) {
			fail("answers a form that is not there: %s", form)
		}
		unresolved, err := known.Unresolved(v.Body)
		if err != nil {
			fail("is not readable: %v", err)
		}
		for _, reference := range unresolved {
			fail("refers to what is not there: %s", reference)
		}
	}
	return faults
}

// canonicals are the forms of the programme, as answers name them.
func canonicals(shared []record.Published) []string {
	var list []string
	for _, v := range shared {
		var form struct{ URL, Version string }
		if json.Unmarshal(v.Body, &form) == nil && form.URL != "" {
			list = append(list, form.URL+"|"+form.Version)
		}
	}
	return list
}

// canonicalOf is the form that answers are of.
func canonicalOf(body []byte) string {
	var answers struct{ Questionnaire string }
	_ = json.Unmarshal(body, &answers) // what is no resource is said elsewhere
	return answers.Questionnaire
}

// keptBack are the codes that the protocol of a journey without a move calls
// confidential, as they would stand in a resource.
func keptBack(j population.Journey) []string {
	protocols, err := programmes()
	moved := slices.ContainsFunc(j.Steps, func(s population.Step) bool { return s.Kind == journey.MoveProtocol && s.Refused == "" })
	i := slices.IndexFunc(protocols, func(p *protocol.Protocol) bool { return p.Version == j.Protocol })
	if err != nil || moved || i < 0 {
		return nil
	}
	var list []string
	for _, code := range protocols[i].ConfidentialCodes() {
		list = append(list, fmt.Sprintf("%q:%q", "code", code))
	}
	return list
}

// TestJourneys plays journeys by chance and validates everything that they
// publish. CANDIDACY_JOURNEYS says how many, CANDIDACY_SEED from which seed on.
func TestJourneys(t *testing.T) {
	first, count := fromEnv(t, "CANDIDACY_SEED", 0), fromEnv(t, "CANDIDACY_JOURNEYS", 24)
	began := time.Now()
	all := playAll(t, first, count)
	versions := 0
	for _, n := range all.published {
		versions += n
	}
	t.Logf("%d journeys in %s, %.1f/s for each of those who play: %d commands and %d refused, %d versions of %d kB; %d shapes",
		count, time.Since(began).Round(time.Millisecond), float64(count)/all.playing.Seconds(), all.commands, all.refused, versions, all.bytes/1000, all.shapes.Len())
	t.Logf("published: %v", all.published)
	t.Run("go without a fault", func(t *testing.T) { report(t, all.faults, ownFaults) })
	t.Run("come by everything", func(t *testing.T) { all.covers(t, count) })
	var lines sheet
	lines.lines.Write(all.novel.lines.Bytes())
	lines.origins = slices.Clone(all.novel.origins)
	for line := range bytes.Lines(all.shapes.Times()) {
		lines.add(bytes.TrimSpace(line), origin{name: "times"})
	}
	t.Run("hold the invariants", all.invariants)
	for name, check := range validators {
		t.Run(name, func(t *testing.T) {
			began := time.Now()
			var faults []found
			for _, s := range []*sheet{&lines, &all.whole} {
				var options []string
				if s == &all.whole && name == "node" {
					options = []string{"--versions"}
				}
				for _, f := range check(t, s.lines.Bytes(), options...) {
					faults = append(faults, found{s.origins[f.Line-1], f.Message})
				}
			}
			t.Logf("%d resources, %d kB, in %s", len(lines.origins)+len(all.whole.origins), (lines.lines.Len()+all.whole.lines.Len())/1000, time.Since(began).Round(time.Millisecond))
			report(t, faults, func(t testing.TB, _ *population.Programme, _ population.Journey, versions []record.Published) []string {
				var s sheet
				for _, v := range versions {
					s.add(v.Body, origin{})
				}
				var messages []string
				for _, f := range check(t, s.lines.Bytes()) {
					messages = append(messages, f.Message)
				}
				return messages
			})
		})
	}
}

// invariants holds what stands in the end against the invariants of a server.
func (a *outcome) invariants(t *testing.T) {
	began := time.Now()
	faults, equations := conformance.Invariants(t, a.standing.lines.Bytes())
	t.Logf("%d resources, %d kB, in %s; computed again: %v", len(a.standing.origins), a.standing.lines.Len()/1000, time.Since(began).Round(time.Millisecond), equations)
	kinds := map[string]int{}
	for _, f := range faults {
		if kinds[alike(f.Message)]++; kinds[alike(f.Message)] == 1 {
			t.Errorf("%s (%s)", f.Message, a.standing.origins[f.Line-1])
		}
	}
}

var validators = map[string]func(t testing.TB, ndjson []byte, options ...string) []conformance.Fault{
	"google": func(t testing.TB, ndjson []byte, _ ...string) []conformance.Fault {
		return conformance.Google(t, ndjson)
	},
	"node": conformance.Node,
}

func ownFaults(t testing.TB, programme *population.Programme, j population.Journey, versions []record.Published) []string {
	shared, err := versionsOf(t.Context(), programme.Store, "")
	if err != nil {
		t.Fatal(err)
	}
	var messages []string
	for _, f := range faultsOf(j, versions, shared) {
		messages = append(messages, f.message)
	}
	return messages
}

var varying = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f-]{27}[-a-z0-9]*|\d+`)

// alike is what faults of one kind have in common.
func alike(message string) string { return varying.ReplaceAllString(message, "*") }

// examiner says what faults the versions of a journey have.
type examiner func(t testing.TB, programme *population.Programme, j population.Journey, versions []record.Published) []string

// report says each kind of fault once, the first few with the shortest list of
// commands that was found to lead to it.
func report(t *testing.T, faults []found, examine examiner) {
	t.Helper()
	const shortened = 2
	kinds := map[string][]found{}
	for _, f := range faults {
		kinds[alike(f.message)] = append(kinds[alike(f.message)], f)
	}
	for i, kind := range slices.Sorted(maps.Keys(kinds)) {
		f := kinds[kind][0]
		t.Errorf("%d times: %s (%s)", len(kinds[kind]), f.message, f.origin)
		if i < shortened && f.played {
			t.Log(shorten(t, f.seed, kind, examine))
		}
	}
}
