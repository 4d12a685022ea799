package daemon

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/settings"
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
