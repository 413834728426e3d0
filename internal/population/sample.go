package population

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"github.com/goccy/go-yaml"

	"candidacy/internal/protocol"
)

// section and its parts are the text of a protocol in its own order.
type (
	section = yaml.MapSlice
	list    = []any
)

// Sample makes, of the text of a protocol, that of a programme of its own: it asks
// for about so many of the requirements, keeps all that can't be left out, and sets
// its own windows, its own zone and more of what is told in confidence. Somebody
// approved it, so that candidates may be moved to it. Smaller protocols make many
// journeys cheap, and moves between them bring and take requirements and flags.
func Sample(source string, dice *rand.Rand, version string, about int) (*protocol.Protocol, error) {
	var text section
	if err := yaml.UnmarshalWithOptions([]byte(source), &text, yaml.UseOrderedMap()); err != nil {
		return nil, fmt.Errorf("read the protocol: %w", err)
	}
	s := sampler{dice: dice, kept: map[string]bool{}, flags: map[string]bool{}}
	s.choose(items(text, "requirements"), about)
	for _, part := range []string{"flags", "disclosures", "advocate_duties", "reviews"} {
		set(text, part, s.about(items(text, part)))
	}
	for _, flag := range items(text, "flags") {
		s.flags[str(flag, "id")] = true
	}
	set(text, "requirements", s.requirements(items(text, "requirements")))
	set(text, "version", version)
	set(text, "time_zone", pick(dice, "Europe/Stockholm", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia"))
	observations := items(text, "observations")
	for i, o := range observations {
		if dice.IntN(30) == 0 {
			observations[i] = set(o.(section), "confidential", true)
		}
	}
	if _, ok := get(text, "approved_by"); !ok {
		text = append(text, yaml.MapItem{Key: "approved_by", Value: "Dr. Nobody"}, yaml.MapItem{Key: "approved_on", Value: "2021-12-01"})
	}
	out, err := yaml.Marshal(text)
	if err != nil {
		return nil, fmt.Errorf("write the protocol: %w", err)
	}
	p, err := protocol.Parse(out)
	if err != nil {
		return nil, fmt.Errorf("the sample %s: %w", version, err)
	}
	return p, nil
}

type sampler struct {
	dice *rand.Rand
	// kept are the ids of the requirements that stay, flags those of the flags.
	kept, flags map[string]bool
}

// choose keeps what no protocol does without, and some of the rest.
func (s *sampler) choose(requirements list, about int) {
	share := float64(about) / float64(len(requirements))
	for _, r := range requirements {
		id, r := str(r, "id"), r.(section)
		if evidence := str(r, "evidence"); evidence == "assignment" || evidence == "consent" ||
			truth(r, "before_decision") || truth(r, "by_advocate") || str(r, "domain") == "blood-type" || anatomy(r) || s.dice.Float64() < share {
			s.kept[id] = true
		}
	}
}

// anatomy reports whether a requirement tells of the arteries, which the checks
// before the operation compare.
func anatomy(r section) bool {
	return slices.ContainsFunc(items(r, "local"), func(set any) bool { return slices.Contains(asList(set), any("arteries-left")) })
}

// requirements are those that are kept, without what they want of others, and with
// shorter lists of questions.
func (s *sampler) requirements(requirements list) list {
	var out list
	for _, each := range requirements {
		r := each.(section)
		if !s.kept[str(r, "id")] {
			continue
		}
		for _, key := range []string{"needs", "apart", "when_flagged"} {
			stays := s.kept
			if key == "when_flagged" {
				stays = s.flags
			}
			rest := slices.DeleteFunc(slices.Clone(items(r, key)), func(other any) bool {
				id, plain := other.(string)
				if !plain {
					id = str(other, "requirement")
				}
				return !stays[id]
			})
			r = drop(r, key)
			if len(rest) > 0 {
				r = append(r, yaml.MapItem{Key: key, Value: rest})
			}
		}
		if sets := items(r, "local"); len(sets) == 1 && len(asList(sets[0])) > 12 {
			codes := slices.Clone(asList(sets[0]))
			if anatomy(r) {
				codes = slices.DeleteFunc(codes, func(code any) bool { return code == "arteries-left" || code == "arteries-right" })
			}
			s.dice.Shuffle(len(codes), func(i, j int) { codes[i], codes[j] = codes[j], codes[i] })
			codes = codes[:10]
			if anatomy(r) {
				codes = append(codes, "arteries-left", "arteries-right")
			}
			r = set(r, "local", list{codes})
		}
		if _, ok := get(r, "valid_days"); ok && s.dice.IntN(3) == 0 {
			r = set(r, "valid_days", 30+s.dice.IntN(300))
		}
		out = append(out, r)
	}
	return out
}

// about keeps those parts that are about a requirement that is kept.
func (s *sampler) about(parts list) list {
	return slices.DeleteFunc(slices.Clone(parts), func(part any) bool { return !s.kept[str(part, "requirement")] })
}

func get(s section, key string) (any, bool) {
	for _, item := range s {
		if item.Key == key {
			return item.Value, true
		}
	}
	return nil, false
}

func set(s section, key string, value any) section {
	for i := range s {
		if s[i].Key == key {
			s[i].Value = value
			return s
		}
	}
	return append(s, yaml.MapItem{Key: key, Value: value})
}

func drop(s section, key string) section {
	return slices.DeleteFunc(s, func(item yaml.MapItem) bool { return item.Key == key })
}

func asList(v any) list {
	l, _ := v.(list)
	return l
}

func items(s section, key string) list {
	v, _ := get(s, key)
	return asList(v)
}

func str(of any, key string) string {
	s, _ := of.(section)
	v, _ := get(s, key)
	text, _ := v.(string)
	return text
}

func truth(s section, key string) bool {
	v, _ := get(s, key)
	is, _ := v.(bool)
	return is
}
