package workflows_test

import (
	"bytes"
	"encoding/json"
	"testing"
)

func encode(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

func contains(raw []byte, word string) bool { return bytes.Contains(raw, []byte(word)) }
