package daemon

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

// While a pass holds an account, who writes is told to come back, within the time that
// requests wait, and calendars are read. Afterwards the same requests succeed, and each
// is stored once.
func TestRequestsDuringAPass(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		o := options(t, nil, conf)
		o.Wait = 200 * time.Millisecond
		d := start(t, o)
		importDemo(t, d, "main")
		_, added, err := d.RunPass(t.Context(), "main", demoDay)
		if err != nil {
			t.Fatal(err)
		}
		k := slices.IndexFunc(added, func(n reminder.Notice) bool { return n.Language == "es" && n.Task != coach.SafetyStop })
		if k < 0 {
			t.Fatal("nobody is written to in Spanish")
		}
		n := added[k]
		w := access.Who{Account: "main", Email: "m", Role: access.Manager}
		key, err := d.Access.MakeToken(t.Context(), w, "crm", []string{"read", "write"}, 30)
		if err != nil {
			t.Fatal(err)
		}
		fleet, err := d.Desk.AddCalendar(t.Context(), "main", "m", "fleet", "", "")
		if err != nil {
			t.Fatal(err)
		}
		c, err := d.Desk.Coach(t.Context(), "main", n.Coach)
		if err != nil {
			t.Fatal(err)
		}
		base := "http://" + d.Addr()
		later := strings.Replace(d.Desk.Signer.Links(&n)[reminder.Later], d.Desk.Signer.BaseURL, base, 1)
		own := base + "/o/" + d.Desk.Signer.OwnerToken("main", &c) + "/calendar.ics"
		send := func(method, address, body string, head ...string) (int, http.Header, string) {
			t.Helper()
			req, err := http.NewRequest(method, address, strings.NewReader(body))
			if err != nil {
				t.Fatal(err)
			}
			for i := 0; i < len(head); i += 2 {
				req.Header.Set(head[i], head[i+1])
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatalf("%s %s: %v", method, address, err)
			}
			defer resp.Body.Close() //nolint:errcheck // read whole
			b, _ := io.ReadAll(resp.Body)
			return resp.StatusCode, resp.Header, string(b)
		}
		api := func(method, path, body string, head ...string) func() (int, http.Header, string) {
			return func() (int, http.Header, string) {
				head := append(head, "Authorization", "Bearer "+key, "Content-Type", "application/json")
				return send(method, base+"/api/v1"+path, body, head...)
			}
		}
		reading := `{"day":"2026-02-0%d","kind":"soft_floor","slide":"` + string(c.Slides[0].ID) + `","value":"no"}`
		writes := map[string]func() (int, http.Header, string){
			"a reading": api("POST", "/coaches/"+string(n.Coach)+"/readings", fmt.Sprintf(reading, 8)),
			"a reading with a key": api("POST", "/coaches/"+string(n.Coach)+"/readings", fmt.Sprintf(reading, 9),
				"Idempotency-Key", "k-1"),
			"a coach":           api("PUT", "/coaches/put-1", `{"label":"Put"}`),
			"a bulk":            api("POST", "/coaches/bulk", `{"coaches":[{"coach":"bulk-1"}]}`),
			"an owner's answer": func() (int, http.Header, string) { return send("POST", later, "") },
		}

		hold, free, held := make(chan struct{}), make(chan struct{}), make(chan error)
		go func() {
			held <- d.DB.Update(t.Context(), func(tx *store.Tx) error {
				_, err := tx.Account(t.Context(), "main", true)
				close(hold)
				<-free
				return err
			})
		}()
		<-hold
		for what, write := range writes {
			status, head, said := write()
			if status != http.StatusServiceUnavailable || head.Get("Retry-After") == "" {
				t.Errorf("%s during a pass: %d, Retry-After %q: %s", what, status, head.Get("Retry-After"), said)
			}
			words := "other work on these records is not finished yet"
			if what == "an owner's answer" {
				words = "No pudimos guardar su respuesta" // in the words of the message
			}
			if !strings.Contains(said, words) {
				t.Errorf("%s is told: %s", what, said)
			}
		}
		calendars := func(when string) (all int) {
			t.Helper()
			for _, address := range []string{strings.Replace(fleet, d.Desk.Signer.BaseURL, base, 1), own} {
				status, _, said := send("GET", address, "")
				if status != http.StatusOK || !strings.Contains(said, "BEGIN:VEVENT") {
					t.Errorf("a calendar %s: %d %s", when, status, said)
				}
				all += strings.Count(said, "BEGIN:VEVENT")
			}
			return all
		}
		during := calendars("during a pass")
		close(free)
		if err := <-held; err != nil {
			t.Fatal(err)
		}
		if after := calendars("afterwards"); after != during {
			t.Errorf("%d events during a pass, %d afterwards", during, after)
		}

		seq := func() (out int64) {
			err := d.DB.View(t.Context(), func(tx *store.Tx) (err error) {
				out, err = tx.EventHead(t.Context(), "main")
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		before := seq()
		for what, write := range writes {
			status, said := http.StatusServiceUnavailable, ""
			for status == http.StatusServiceUnavailable { // what is saved asks for a pass of its own
				status, _, said = write()
			}
			if status != http.StatusOK {
				t.Errorf("%s afterwards: %d %s", what, status, said)
			}
		}
		kinds := map[string]int{}
		err = d.DB.View(t.Context(), func(tx *store.Tx) error {
			es, err := tx.Events(t.Context(), "main", before, 1000)
			for _, e := range es {
				kinds[e.Kind]++
			}
			return err
		})
		if err != nil || kinds["reading.recorded"] != 2 || kinds["coach.saved"] != 2 || kinds["task.declined"] != 1 {
			t.Errorf("stored %v: %v", kinds, err)
		}
	})
}
