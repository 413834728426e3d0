package clinical_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// TestReferenceIsWhatRComputes runs the script again that made the reference
// values of the kidney functions, and compares its values with the file.
func TestReferenceIsWhatRComputes(t *testing.T) {
	if _, err := exec.LookPath("Rscript"); err != nil {
		const missing = "R is not installed: apt-get install --no-install-recommends r-base-core"
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "statistics") {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	out, err := exec.CommandContext(t.Context(), "../../testdata/conformance/r/check").CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
