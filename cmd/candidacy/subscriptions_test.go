package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"candidacy/internal/subscription"
)

// TestSubscribersAreToldAcrossKills kills the program with SIGKILL while it tells a
// subscriber, after the request has come and before it is answered.
func TestSubscribersAreToldAcrossKills(t *testing.T) {
	// The endpoint hands each request over and waits for leave to answer it.
	came, reply := make(chan string), make(chan int)
	endpoint := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		came <- r.Method + " " + r.URL.Path + " " + r.Header.Get("Authorization") + " " + string(body)
		w.WriteHeader(<-reply)
	}))
	defer endpoint.Close()
	host := strings.TrimPrefix(endpoint.URL, "http://")
	const request = "POST /hook Bearer hook-secret "
	next := func() {
		t.Helper()
		if got := <-came; got != request {
			t.Fatalf("got %q", got)
		}
	}

	data := t.TempDir()
	s := hire(t, data)
	token := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "ehr", "--scope", "system/Subscription.crus system/Patient.rs"))
	args := []string{"--protocol", "../../testdata/protocols/brief.yaml", "--subscription-allow", host}
	srv := start(t, "serve", data, args...)
	subscribe := func(endpoint string) answer {
		body := `{"resourceType":"Subscription","status":"requested","reason":"To see who is referred","criteria":"Patient",
			"channel":{"type":"rest-hook","endpoint":"` + endpoint + `","header":["Authorization: Bearer hook-secret"]}}`
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, srv.url+"/fhir/Subscription", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+token)
		r.Header.Set("Content-Type", "application/fhir+json")
		response, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		raw, err := io.ReadAll(response.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer{response.StatusCode, response.Header, raw}
	}
	if a := subscribe("https://elsewhere.example/hook"); a.status != 422 || !strings.Contains(string(a.body), "an administrator has not allowed this host") {
		t.Fatalf("%+v", a)
	}
	a := subscribe(endpoint.URL + "/hook")
	if a.status != 201 {
		t.Fatalf("%+v", a)
	}
	next()
	reply <- http.StatusNoContent

	for number := range 3 {
		tr := newTraveller(900+number, s)
		if !tr.advance(t, srv.url, s) {
			t.Fatal("the referral was not acknowledged")
		}
		next()
		srv.kill()
		reply <- http.StatusOK // nobody is there to hear it
		srv = start(t, "serve", data, args...)
		next()
		reply <- http.StatusOK
	}
	// The last note is written a moment after the answer.
	for strings.Contains(mustRun(t, "subscriptions", "events", "--data", data), "queued") {
	}
	srv.stop()
	listed := mustRun(t, "subscriptions", "list", "--data", data)
	if !strings.Contains(listed, "\tactive\tPatient\t"+host+"\t0\t-\t") || strings.Contains(listed, "secret") || strings.Contains(listed, "/hook") {
		t.Errorf("listed: %s", listed)
	}
	if events := mustRun(t, "subscriptions", "events", "--data", data); strings.Count(events, "\t1\tsent\t") != 3 || strings.Count(events, "\n") != 3 {
		t.Errorf("events: %s", events)
	}

	// Who is let in no more is told nothing.
	bearer := strings.Fields(listed)[1]
	mustRun(t, "token", "revoke", "--data", data, bearer)
	srv = start(t, "serve", data, args...)
	if tr := newTraveller(990, s); !tr.advance(t, srv.url, s) {
		t.Fatal("the referral was not acknowledged")
	}
	for {
		list := mustRun(t, "subscriptions", "list", "--data", data)
		if strings.Contains(list, "\toff\tPatient\t") && strings.Contains(list, subscription.NotGranted) {
			break
		}
	}
	srv.stop()
	select {
	case got := <-came:
		t.Errorf("told after the token was revoked: %s", got)
	default:
	}
	if strings.Contains(srv.logs.String(), "secret") {
		t.Errorf("the log holds the secret: %s", srv.logs)
	}
	id := strings.Fields(listed)[0]
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"subscriptions", "off", "--data", data, id}, "ID: the subscription is off already"},
		{[]string{"subscriptions", "off", "--data", data, "nobody"}, "ID: there is no such subscription"},
		{[]string{"subscriptions", "events", "--data", data, "--limit", "0"}, "--limit"},
		{[]string{"serve", "--data", data, "--subscription-allow", "https://x/"}, `--subscription-allow: "https://x/"`},
	} {
		if _, err := run(t, c.args...); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v", c.args, err)
		}
	}
}
