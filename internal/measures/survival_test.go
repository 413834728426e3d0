package measures_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/measures"
)

// TestRemission is the example of most text books: weeks in remission under
// 6-mercaptopurine (Freireich and others, Blood 1963;21:699), with the estimates that
// they print, from memory, and a median of 23 weeks.
func TestRemission(t *testing.T) {
	var times []measures.Time
	for _, days := range []int{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		times = append(times, measures.Time{Days: days})
	}
	for _, days := range []int{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		times = append(times, measures.Time{Days: days, Open: true})
	}
	curve := measures.CurveOf(times)
	for days, want := range map[int]float64{5: 1, 6: .857, 7: .807, 9: .807, 10: .753, 13: .690, 16: .627, 22: .538, 23: .448, 30: .448} {
		if got := curve.After(days); math.Abs(got-want) > .0005 {
			t.Errorf("after %d: %.4f, want %.3f", days, got, want)
		}
	}
	if median, known := curve.Quantile(.5); !known || median != 23 {
		t.Errorf("the median is %v, %t", median, known)
	}
	if _, known := curve.Quantile(.9); known {
		t.Error("nine in ten are not over")
	}
}

// r runs a script and returns its lines as numbers; NA is NaN.
func r(t *testing.T, script string) []float64 {
	t.Helper()
	program, err := exec.LookPath("Rscript")
	if err != nil {
		const missing = "R is not installed: apt-get install --no-install-recommends r-base-core"
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "statistics") {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	cmd := exec.CommandContext(t.Context(), program, "--vanilla", "-")
	cmd.Stdin = strings.NewReader(script)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, &stderr)
	}
	var numbers []float64
	for _, line := range strings.Fields(string(out)) {
		n, err := strconv.ParseFloat(line, 64)
		if err != nil {
			n = math.NaN()
		}
		numbers = append(numbers, n)
	}
	return numbers
}

// TestQuantilesByR holds quantiles against R: those of times of which none is open
// against quantile(type = 2), those with open ones against the product-limit estimate
// written out in R, and those of a spread against quantile(type = 7).
func TestQuantilesByR(t *testing.T) {
	dice := rand.New(rand.NewPCG(2026, 7))
	var script strings.Builder
	script.WriteString(`options(digits = 17)
probs <- c(.25, .5, .75, .9)
km <- function(days, ended) {
  at <- sort(unique(days[ended == 1]))
  s <- cumprod(vapply(at, function(d) 1 - sum(days == d & ended == 1) / sum(days >= d), 0))
  for (p in probs) {
    hit <- which(s <= 1 - p + 1e-9)
    if (length(hit) == 0) { cat("NA\n"); next }
    i <- hit[1]
    cat(if (abs(s[i] - (1 - p)) < 1e-9 && i < length(at)) (at[i] + at[i + 1]) / 2 else at[i], "\n")
  }
}
`)
	var want []func(n float64)
	probs := []float64{.25, .5, .75, .9}
	same := func(what string, got float64, known bool) func(float64) {
		return func(n float64) {
			if known == math.IsNaN(n) || known && math.Abs(got-n) > 1e-9 {
				t.Errorf("%s: got %v, %t; R says %v", what, got, known, n)
			}
		}
	}
	for n := range 60 {
		size := 1 + dice.IntN(40)
		var times []measures.Time
		var lives []measures.Life
		var days, ended []string
		for i := range size {
			one := measures.Time{Days: dice.IntN(30), Open: n%2 == 1 && dice.IntN(3) == 0}
			times = append(times, one)
			days, ended = append(days, strconv.Itoa(one.Days)), append(ended, map[bool]string{true: "0", false: "1"}[one.Open])
			lives = append(lives, way(fmt.Sprint(i), "2026-01-01", one.Days))
		}
		curve := measures.CurveOf(times)
		d := "c(" + strings.Join(days, ",") + ")"
		if n%2 == 0 {
			fmt.Fprintf(&script, "cat(quantile(%s, probs, type = 2), sep = '\\n'); cat('\\n')\n", d)
		} else {
			fmt.Fprintf(&script, "km(%s, c(%s))\n", d, strings.Join(ended, ","))
		}
		for _, p := range probs {
			got, known := curve.Quantile(p)
			want = append(want, same(fmt.Sprintf("%v of %v", p, times), got, known))
		}
		spread := find(t, measures.Of(read(lives), "", journey.Date("")), "days-to-screening").Spread
		fmt.Fprintf(&script, "cat(quantile(%s, probs, type = 7), sep = '\\n'); cat('\\n')\n", d)
		for _, got := range []float64{spread.Lower, spread.Median, spread.Upper, spread.Ninetieth} {
			want = append(want, same(fmt.Sprintf("the spread of %v", days), got, true))
		}
	}
	numbers := r(t, script.String())
	if len(numbers) != len(want) {
		t.Fatalf("R printed %d numbers for %d", len(numbers), len(want))
	}
	for i, n := range numbers {
		want[i](n)
	}
}
