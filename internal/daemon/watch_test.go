package daemon

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// Every metric that an alert or the dashboard asks for is one that the daemon has.
func TestWatchedMetricsExist(t *testing.T) {
	d := start(t, options(t, nil, func(c *settings.Config) { c.StorePath = filepath.Join(t.TempDir(), "x.db") }))
	families, err := d.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, f := range families {
		have[f.GetName()] = true
	}
	for _, name := range []string{"../deploy/alerts.yaml", "../deploy/dashboard.json"} {
		b, err := os.ReadFile(testkit.File(t, name))
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(name, ".json") {
			var any map[string]any
			if err := json.Unmarshal(b, &any); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		found := regexp.MustCompile(`sealmanac_[a-z_]+`).FindAllString(string(b), -1)
		if len(found) < 4 {
			t.Errorf("%s watches %d metrics", name, len(found))
		}
		for _, m := range found {
			if !have[strings.TrimSuffix(m, "_bucket")] {
				t.Errorf("%s asks for %s, which is not there", name, m)
			}
		}
	}
}

// Every alert has a case in which it fires and one in which it does not, the tool of
// Prometheus agrees with each, and an alert says how grave it is and what to do.
func TestAlerts(t *testing.T) {
	rulesFile, casesFile := testkit.File(t, "../deploy/alerts.yaml"), testkit.File(t, "../deploy/alerts_test.yaml")
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert       string            `yaml:"alert"`
				Labels      map[string]string `yaml:"labels"`
				Annotations map[string]string `yaml:"annotations"`
			} `yaml:"rules"`
		} `yaml:"groups"`
	}
	var cases struct {
		RuleFiles []string `yaml:"rule_files"`
		Tests     []struct {
			Cases []struct {
				Alert    string           `yaml:"alertname"`
				Expected []map[string]any `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		} `yaml:"tests"`
	}
	for name, into := range map[string]any{rulesFile: &rules, casesFile: &cases} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.Unmarshal(b, into); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	if len(cases.RuleFiles) != 1 || cases.RuleFiles[0] != "alerts.yaml" {
		t.Errorf("the cases are for %v", cases.RuleFiles)
	}
	fires, rests := map[string]bool{}, map[string]bool{}
	for _, test := range cases.Tests {
		for _, c := range test.Cases {
			fires[c.Alert] = fires[c.Alert] || len(c.Expected) > 0
			rests[c.Alert] = rests[c.Alert] || len(c.Expected) == 0
		}
	}
	seen := 0
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			seen++
			if !fires[r.Alert] || !rests[r.Alert] {
				t.Errorf("%s lacks a case in deploy/alerts_test.yaml: fires %v, does not fire %v", r.Alert, fires[r.Alert],
					rests[r.Alert])
			}
			if s := r.Labels["severity"]; s != "critical" && s != "warning" {
				t.Errorf("%s has severity %q", r.Alert, s)
			}
			if r.Annotations["summary"] == "" || r.Annotations["action"] == "" {
				t.Errorf("%s says neither what is wrong nor what to do", r.Alert)
			}
		}
	}
	if seen < 7 {
		t.Errorf("%d alerts", seen)
	}
	tool, err := exec.LookPath("promtool")
	if err != nil {
		testkit.SkipOrFail(t, "needs promtool of the Debian package prometheus: %v", err)
	}
	for _, args := range [][]string{{"check", "rules", rulesFile}, {"test", "rules", casesFile}} {
		if out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args[:2], " "), err, out)
		}
	}
}

// The figures behind the alerts on passes and endpoints: how long a pass is overdue, from
// the minute it is due on, and how many endpoints are in which state.
func TestOverduePassesAndEndpoints(t *testing.T) {
	o := options(t, nil, func(c *settings.Config) {
		c.StorePath, c.PassCron = filepath.Join(t.TempDir(), "x.db"), "0 3 * * *"
	})
	now := time.Date(2026, 3, 3, 3, 0, 0, 0, time.UTC)
	o.Now = func() time.Time { return now }
	d, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.DB.Close() })
	accounts := []coach.Account{{ID: "one", Name: "One", Postal: "1 Road", Zone: "UTC"},
		{ID: "new", Name: "New", Postal: "2 Road", Zone: "UTC"}}
	if err := d.DB.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		for _, a := range accounts {
			if err := tx.SaveAccount(t.Context(), a); err != nil {
				return err
			}
		}
		for i, state := range []string{"live", "paused", "paused"} {
			if err := tx.AddEndpoint(t.Context(), store.Endpoint{Account: "one", ID: fmt.Sprint(i),
				URL: "https://crm.example.org", Keys: "[]", State: state}); err != nil {
				return err
			}
		}
		return tx.SavePass(t.Context(), "one", civil.Of(2026, 3, 2), "v", 0, 0)
	}); err != nil {
		t.Fatal(err)
	}
	gauges := func() map[string]float64 {
		t.Helper()
		families, err := d.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{}
		for _, f := range families {
			for _, m := range f.GetMetric() {
				name := f.GetName()
				for _, l := range m.GetLabel() {
					name += " " + l.GetValue()
				}
				out[name] = m.GetGauge().GetValue()
			}
		}
		return out
	}
	for _, c := range []struct {
		after time.Duration
		want  float64
	}{{-time.Minute, 0}, {0, 0}, {time.Minute, 60}, {24 * time.Hour, 24 * 3600}, {50 * time.Hour, 50 * 3600}} {
		now = time.Date(2026, 3, 3, 3, 0, 0, 0, time.UTC).Add(c.after)
		if err := d.catchUp(t.Context(), accounts); err != nil {
			t.Fatal(err)
		}
		if got := gauges()["sealmanac_pass_overdue_seconds"]; got != c.want {
			t.Errorf("%v after its time the pass is overdue by %v s, want %v", c.after, got, c.want)
		}
	}
	if g := gauges(); g["sealmanac_endpoints live"] != 1 || g["sealmanac_endpoints paused"] != 2 ||
		g["sealmanac_endpoints gone"] != 0 {
		t.Errorf("%v", g)
	}
}
