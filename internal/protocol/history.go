package protocol

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/result"
)

// history is what of one candidate's results can be used, with what is asked of
// each again and again. It depends on no protocol.
type history struct {
	// newestFirst has the newest first; the ids settle what the time does not.
	newestFirst []*charted
	samples     []BloodSample
}

// charted is a usable result in a history.
type charted struct {
	*result.Result
	// evidence identifies this version of this result.
	evidence string
	// order sorts by time; instant is zero for a day without a time.
	order   string
	instant time.Time
	// older is the next usable result of the same code.
	older *charted
	// print is the fingerprint of this result alone, and series that of all
	// results of its code, when it is the newest: each once it was asked for.
	print, series string
}

// historyOf reads only results that are final, amended or corrected.
func historyOf(results []result.Result) *history {
	n := 0
	for i := range results {
		if results[i].Status.Usable() {
			n++
		}
	}
	all := make([]charted, 0, n)
	h := &history{newestFirst: make([]*charted, 0, n)}
	var text strings.Builder
	text.Grow(n * len("2006-01-02T15:04:05Z 01234567-0123-0123-0123-0123456789ab@1"))
	for i := range results {
		if r := &results[i]; r.Status.Usable() {
			all = append(all, chart(r, &text))
			h.newestFirst = append(h.newestFirst, &all[len(all)-1])
		}
	}
	slices.SortFunc(h.newestFirst, func(x, y *charted) int { return y.compare(x) })
	newer := make(map[string]*charted, n)
	for _, r := range h.newestFirst {
		if before := newer[r.Code.Code]; before != nil {
			before.older = r
		}
		newer[r.Code.Code] = r
		if r.Code.Code == bloodTypeCode {
			h.samples = append(h.samples, r.sample())
		}
	}
	sortSamples(h.samples)
	return h
}

// until is the history of what was collected up to a day.
func (h *history) until(day string) *history {
	later := func(r *charted) bool { return r.CollectedOn > day }
	i := slices.IndexFunc(h.newestFirst, func(r *charted) bool { return !later(r) })
	if i < 0 {
		return &history{}
	}
	rest := h.newestFirst[i:]
	if !slices.ContainsFunc(rest, later) {
		// What is older stays what it is: nothing has to be charted again.
		then := &history{newestFirst: rest}
		for _, r := range rest {
			if r.Code.Code == bloodTypeCode {
				then.samples = append(then.samples, r.sample())
			}
		}
		sortSamples(then.samples)
		return then
	}
	// A time late in the evening and a day without a time, of which the later comes first.
	var list []result.Result
	for _, r := range rest {
		if !later(r) {
			list = append(list, *r.Result)
		}
	}
	return historyOf(list)
}

// chart makes the texts that identify and sort a result, as parts of one text.
func chart(of *result.Result, text *strings.Builder) charted {
	r := charted{Result: of, order: of.Effective}
	// A day without a time is no instant, and no reason to make an error.
	if len(r.Effective) > len(time.DateOnly) {
		if at, err := time.Parse(time.RFC3339, r.Effective); err == nil {
			r.instant = at
			var buffer [len(time.RFC3339)]byte
			start := text.Len()
			text.Write(at.UTC().AppendFormat(buffer[:0], time.RFC3339))
			r.order = text.String()[start:]
		}
	}
	start := text.Len()
	text.WriteString(r.ID)
	text.WriteByte('@')
	text.WriteString(strconv.Itoa(r.Version))
	r.evidence = text.String()[start:]
	return r
}

// compare sorts by time, and by the ids what is of one time.
func (r *charted) compare(other *charted) int {
	if order := cmp.Compare(r.order, other.order); order != 0 {
		return order
	}
	return cmp.Or(
		cmp.Compare(r.Identifier.Value, other.Identifier.Value),
		cmp.Compare(r.Identifier.System, other.Identifier.System), cmp.Compare(r.evidence, other.evidence),
	)
}

// EffectiveAt is that of the result, read once.
func (r *charted) EffectiveAt() (time.Time, error) {
	if r.instant.IsZero() {
		return r.Result.EffectiveAt()
	}
	return r.instant, nil
}

// alone is the fingerprint of this result alone.
func (r *charted) alone() string {
	if r.print == "" {
		r.print = fingerprint(r.evidence)
	}
	return r.print
}

// withOlder is the fingerprint of all results of the code, of which this is the
// newest: readings of a series belong together, and a new one is new evidence.
func (r *charted) withOlder() string {
	switch {
	case r.older == nil:
		return r.alone()
	case r.series == "":
		var room [16]string
		r.series = fingerprint(r.appendEvidence(room[:0])...)
	}
	return r.series
}

// days counts the days of the results of the code, of which this is the newest,
// up to as many as are wanted.
func (r *charted) days(wanted int) int {
	var days []string
	for ; r != nil && len(days) < wanted; r = r.older {
		if !slices.Contains(days, r.CollectedOn) {
			days = append(days, r.CollectedOn)
		}
	}
	return len(days)
}

func (r *charted) appendEvidence(evidence []string) []string {
	for ; r != nil; r = r.older {
		evidence = append(evidence, r.evidence)
	}
	return evidence
}

// fingerprint identifies a set of results, in any order. It is kept in records:
// the same set has to have the same for ever.
func fingerprint(evidence ...string) string {
	// What usually suffices stays on the stack.
	var room [16]string
	sorted := append(room[:0], evidence...)
	slices.Sort(sorted)
	var buffer [512]byte
	text := buffer[:0]
	for i, each := range slices.Compact(sorted) {
		if i > 0 {
			text = append(text, '\n')
		}
		text = append(text, each...)
	}
	sum := sha256.Sum256(text)
	var digits [16]byte
	hex.Encode(digits[:], sum[:8])
	return string(digits[:])
}
