package calculation

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime/debug"
	"slices"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// sweepInputs is how many synthetic inputs the sweep tries over all formulas.
const sweepInputs = 1_000_000

// TestSweep gives the formulas a million synthetic inputs: the examples with up
// to four facts changed, from a last digit to infinity, from another unit to no
// fact at all. A formula must not panic, must not return a number that is not
// finite, and must name what it refuses.
func TestSweep(t *testing.T) {
	total := sweepInputs
	if testing.Short() {
		total /= 50
	}
	all := All()
	each := total / len(all)
	for n, c := range all {
		t.Run(c.ID, func(t *testing.T) {
			t.Parallel()
			s := newSweep(t, c, uint64(n))
			computed := 0
			for range each {
				in := s.next()
				outcome, err := s.compute(in)
				var e *clinical.Error
				switch {
				case err == nil:
					computed++
					if path := notFinite(reflect.ValueOf(outcome), "outcome"); path != "" {
						t.Fatalf("%s is not finite for %+v", path, reflect.ValueOf(in).Elem())
					}
					if len(outcome.Values)+len(outcome.Conclusions) == 0 {
						t.Fatalf("neither a result nor an error for %+v", reflect.ValueOf(in).Elem())
					}
				case errors.As(err, &e) && e.Code != "" && e.Field != "" && e.Message != "":
				default:
					t.Fatalf("an error without code, field and message: %v", err)
				}
			}
			t.Logf("%d results and %d refusals", computed, each-computed)
			if computed < each/100 || computed > each-each/100 {
				t.Errorf("%d results of %d: the sweep does not reach both sides", computed, each)
			}
		})
	}
}

type sweep struct {
	calculation Calculation
	random      *rand.Rand
	example     reflect.Value
	words       []string
}

func newSweep(t *testing.T, c Calculation, seed uint64) *sweep {
	t.Helper()
	input, err := Parse(c.Example)
	if err != nil {
		t.Fatal(err)
	}
	checked, err := checker{root: c.Schema}.check(c.Schema, input.value, "")
	if err != nil {
		t.Fatal(err)
	}
	in, err := c.decode(checked)
	if err != nil {
		t.Fatal(err)
	}
	s := &sweep{calculation: c, random: rand.New(rand.NewPCG(20261125, seed)), example: reflect.ValueOf(in), words: []string{"", "no such word"}}
	for _, choices := range typeSchemas() {
		for _, word := range choices.Enum {
			s.words = append(s.words, word.(string))
		}
	}
	slices.Sort(s.words)
	return s
}

func (s *sweep) compute(in any) (outcome Outcome, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic for %+v: %v\n%s", reflect.ValueOf(in).Elem(), p, debug.Stack())
		}
	}()
	return s.calculation.compute(in)
}

// next returns the example with one to four facts changed.
func (s *sweep) next() any {
	in := deepCopy(s.example)
	for range 1 + s.random.IntN(4) {
		if list := leaves(in.Elem(), nil); len(list) > 0 {
			s.change(list[s.random.IntN(len(list))])
		}
	}
	return in.Interface()
}

// leaves lists what may be changed: numbers, words, measurements as a whole, and
// lists.
func leaves(v reflect.Value, list []reflect.Value) []reflect.Value {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[clinical.Measurement]() {
			return append(list, v)
		}
		for i := range v.NumField() {
			list = leaves(v.Field(i), list)
		}
	case reflect.Pointer:
		list = append(list, v)
		if !v.IsNil() {
			list = leaves(v.Elem(), list)
		}
	case reflect.Slice:
		list = append(list, v)
		for i := range v.Len() {
			list = leaves(v.Index(i), list)
		}
	case reflect.String, reflect.Int, reflect.Float64, reflect.Bool:
		list = append(list, v)
	}
	return list
}

func (s *sweep) change(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		m := v.Addr().Interface().(*clinical.Measurement)
		switch s.random.IntN(8) {
		case 0:
			*m = clinical.Measurement{}
		case 1:
			analytes := units.Analytes()
			accepted := units.Accepted(analytes[s.random.IntN(len(analytes))])
			m.Unit = accepted[s.random.IntN(len(accepted))]
		default:
			if !m.Given() { // one that the example leaves out
				m.Unit, m.Value = units.Percent, 50
			}
			m.Value = s.number(m.Value)
		}
	case reflect.Pointer:
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		} else {
			v.SetZero()
		}
	case reflect.Slice:
		n := v.Len()
		switch s.random.IntN(4) {
		case 0:
			v.SetZero()
		case 1:
			v.SetLen(s.random.IntN(n + 1))
		case 2:
			v.Set(reflect.Append(v, reflect.Zero(v.Type().Elem())))
		default:
			if n > 0 {
				v.Set(reflect.Append(v, deepCopy(v.Index(s.random.IntN(n)))))
			}
		}
	case reflect.String:
		v.SetString(s.words[s.random.IntN(len(s.words))])
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int:
		whole := []int64{0, -1, 1, 17, 18, 120, 121, math.MaxInt64, math.MinInt64, v.Int() + 1, v.Int() - 1, s.random.Int64N(200)}
		v.SetInt(whole[s.random.IntN(len(whole))])
	case reflect.Float64:
		v.SetFloat(s.number(v.Float()))
	}
}

// number returns another number: mostly near, now and then absurd.
func (s *sweep) number(from float64) float64 {
	switch s.random.IntN(12) {
	case 0:
		absurd := []float64{0, math.Copysign(0, -1), -from, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 1e-300, 1e300}
		return absurd[s.random.IntN(len(absurd))]
	case 1:
		return math.Nextafter(from, math.Inf(s.random.IntN(2)*2-1))
	case 2:
		return from * math.Exp(s.random.NormFloat64()*7)
	default:
		return from * math.Exp(s.random.NormFloat64()*0.4)
	}
}

// notFinite returns the path of a number that is NaN or infinite, if any.
func notFinite(v reflect.Value, path string) string {
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			return path
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if found := notFinite(v.Field(i), path+"."+v.Type().Field(i).Name); found != "" {
				return found
			}
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return notFinite(v.Elem(), path)
		}
	case reflect.Slice:
		for i := range v.Len() {
			if found := notFinite(v.Index(i), fmt.Sprintf("%s[%d]", path, i)); found != "" {
				return found
			}
		}
	}
	return ""
}

func deepCopy(v reflect.Value) reflect.Value {
	to := reflect.New(v.Type()).Elem()
	to.Set(v)
	detach(to)
	return to
}

// detach copies what a shallow copy shares.
func detach(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			v.Set(deepCopy(v.Elem()).Addr())
		}
	case reflect.Slice:
		if !v.IsNil() {
			list := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
			reflect.Copy(list, v)
			for i := range list.Len() {
				detach(list.Index(i))
			}
			v.Set(list)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			detach(v.Field(i))
		}
	}
}
