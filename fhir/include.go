package fhir

import (
	"context"
	"net/http"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// maxIncluded bounds what one page may bring along.
const maxIncluded = 2000

// inclusion is what _include or _revinclude asks for: the resources that those
// of a type point to under a reference, or that point to them.
type inclusion struct {
	typ   string
	param param
	// target is the one type that is meant, if one was named.
	target string
	// reverse is _revinclude. iterate goes on from what was included.
	reverse, iterate bool
}

// include reads _include=Type:reference:Target and its like.
func (p *parser) include(s *search, in pair, reverse bool, modifier string) error {
	if modifier != "" && modifier != "iterate" && modifier != "recurse" {
		return badParameter(in.name, "not-supported", "the only modifier is iterate")
	}
	base, _, _ := strings.Cut(in.name, ":")
	list := inclusions(s.query.Type, in.value, reverse)
	if len(list) == 0 {
		return badParameter(base, "not-supported", "not one of those that the CapabilityStatement lists: use Type:reference or Type:reference:Target")
	}
	for i := range list {
		list[i].iterate = modifier != ""
	}
	if s.includes = append(s.includes, list...); len(s.includes) > maxIncludes {
		return badParameter(base, "too-costly", "too many references to follow")
	}
	return nil
}

// inclusions are those that a value means: one, or with an asterisk all of a
// type, or all that begin or end at the type that is searched.
func inclusions(searched, text string, reverse bool) []inclusion {
	parts := strings.Split(text, ":")
	var list []inclusion
	for _, name := range typeOrder {
		if parts[0] != "*" && parts[0] != name || parts[0] == "*" && (len(parts) > 1 || !reverse && name != searched) {
			continue
		}
		if reverse && name == typeGroup {
			continue // who points to whom is not in the index
		}
		for _, known := range types[name].params {
			named := len(parts) > 1 && parts[1] != "*"
			if !known.includable() || named && parts[1] != known.name || !named && known.name == "subject" && types[name].has("patient") {
				continue
			}
			i := inclusion{typ: name, param: known, reverse: reverse}
			if len(parts) == 3 {
				i.target = parts[2]
			}
			if len(parts) > 3 || i.target != "" && !slices.Contains(known.targets, i.target) ||
				reverse && !named && !slices.Contains(known.targets, searched) {
				continue
			}
			list = append(list, i)
		}
	}
	return list
}

// includable references point to something that is published.
func (p param) includable() bool {
	return p.kind == r4.SearchParamTypeReference && slices.ContainsFunc(p.targets, func(t string) bool { _, ok := types[t]; return ok })
}

func (t resourceType) has(name string) bool {
	_, ok := t.find(name)
	return ok
}

// gathering is what a page brings along, while it is collected.
type gathering struct {
	s      *server
	parser *parser
	have   map[record.Key]bool
	list   []record.Published
}

// included finds what the matches of a page bring along. What the client may not
// read is left out.
func (s *server) included(ctx context.Context, p *parser, query *search, matches []record.Published) ([]record.Published, error) {
	if len(query.includes) == 0 || len(matches) == 0 {
		return nil, nil
	}
	g := &gathering{s: s, parser: p, have: map[record.Key]bool{}}
	for _, m := range matches {
		g.have[record.Key{Type: m.Type, ID: m.ID}] = true
	}
	for frontier, first := matches, true; len(frontier) > 0; first = false {
		begin := len(g.list)
		for _, i := range query.includes {
			if !first && !i.iterate {
				continue
			}
			var err error
			if i.reverse {
				err = g.pointing(ctx, i, frontier)
			} else {
				err = g.pointedTo(ctx, i, frontier)
			}
			if err != nil {
				return nil, err
			}
		}
		frontier = g.list[begin:]
	}
	return g.list, nil
}

// pointedTo adds what the resources point to.
func (g *gathering) pointedTo(ctx context.Context, i inclusion, from []record.Published) error {
	ids := idsOf(i.typ, from)
	if len(ids) == 0 {
		return nil
	}
	var keys []record.Key
	if i.param.use == byPatient {
		for _, r := range from {
			if r.Type == i.typ && r.Candidate != "" {
				keys = append(keys, record.Key{Type: typePatient, ID: r.Candidate})
			}
		}
	} else {
		var err error
		if keys, err = g.s.store.References(ctx, i.typ, i.param.name, ids); err != nil {
			return err
		}
	}
	for _, typ := range i.param.targets {
		if i.target != "" && i.target != typ {
			continue
		}
		var wanted []string
		for _, k := range keys {
			if k.Type == typ && !g.have[k] && !slices.Contains(wanted, k.ID) {
				wanted = append(wanted, k.ID)
			}
		}
		if len(wanted) > 0 {
			if err := g.add(ctx, MayRead, record.Query{Type: typ, IDs: wanted}); err != nil {
				return err
			}
		}
	}
	return nil
}

// pointing adds what points to the resources.
func (g *gathering) pointing(ctx context.Context, i inclusion, to []record.Published) error {
	if i.param.use == byPatient {
		if ids := idsOf(typePatient, to); len(ids) > 0 {
			return g.add(ctx, MaySearch, record.Query{Type: i.typ, Candidates: ids})
		}
		return nil
	}
	c := record.Condition{Param: i.param.name, Selective: true}
	for _, r := range to {
		if slices.Contains(i.param.targets, r.Type) && (i.target == "" || i.target == r.Type) {
			c.Any = append(c.Any, record.Match{Op: "=", Value: r.ID, System: r.Type})
		}
	}
	if len(c.Any) == 0 {
		return nil
	}
	return g.add(ctx, MaySearch, record.Query{Type: i.typ, Conditions: []record.Condition{c}})
}

// add finds resources and keeps those that the page doesn't have. A type that
// the client may not ask for is left out.
func (g *gathering) add(ctx context.Context, need Permission, q record.Query) error {
	if _, published := types[q.Type]; !published {
		return nil
	}
	within, err := g.parser.within(q.Type, need)
	if err != nil {
		return nil //nolint:nilerr // outside the grant: left out, as SMART has it
	}
	if len(within) > 0 {
		q.Any = append(q.Any, within)
	}
	q.Limit = maxIncluded + 1
	found, err := g.s.store.Search(ctx, q)
	if err != nil {
		return err
	}
	for _, r := range found {
		if k := (record.Key{Type: r.Type, ID: r.ID}); !g.have[k] {
			g.have[k] = true
			g.list = append(g.list, r)
		}
	}
	if len(g.list) > maxIncluded {
		return &failure{
			status: http.StatusBadRequest, code: "too-costly",
			diagnostics: "the matches of one page bring too much along: give a lower _count",
		}
	}
	return nil
}

func idsOf(typ string, list []record.Published) []string {
	var ids []string
	for _, r := range list {
		if r.Type == typ {
			ids = append(ids, r.ID)
		}
	}
	return ids
}
