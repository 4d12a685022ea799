package settings

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sealmanac/internal/testkit"
)

func TestExampleIsValid(t *testing.T) {
	path := filepath.Join(filepath.Dir(testkit.File(t, "")), "config", "sealmanac.example.yaml")
	c, err := Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.ForServing(); err != nil {
		t.Error(err)
	}
	text, _ := os.ReadFile(path)
	for _, k := range Keys() {
		if last := k[strings.LastIndexByte(k, '.')+1:]; !strings.Contains(string(text), last) {
			t.Errorf("the example does not show %s", k)
		}
	}
}

func TestEveryProblemAtOnce(t *testing.T) {
	_, err := Parse("x.yaml", []byte(`
store: {kind: mysql, path: [a]}
mail: {address: nohost, tls: maybe, from: not an address, timeout: 1h, workers: 0, username: u, password_file: /does/not/exist}
web: {listen: 8080, public_url: ftp://x, colour: red}
schedule: {pass: "never", upkeep: 1ms}
api: {origins: "https://crm.example.org, *"}
surprise: 1
`), nil)
	if err == nil {
		t.Fatal("passed")
	}
	for _, want := range []string{"store.kind:", "store.path: is a list", "mail.address:", "mail.tls:", "mail.from:",
		"mail.timeout:", "mail.workers:", "mail.password_file:",
		"mail.username:", "web.listen:", "web.public_url:", "web.colour: is not a setting", "schedule.pass:",
		"schedule.upkeep:", "api.origins:", "surprise: is not a setting"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the report lacks %s\n%v", want, err)
		}
	}
}

func TestSecretsStayHidden(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pw")
	if err := os.WriteFile(file, []byte("hunter2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Parse("x", []byte("mail: {address: 'a:25', from: a@example.org, username: u, password_file: "+file+"}"),
		func(k string) string {
			return map[string]string{"SEALMANAC_STORE_DSN": "postgres://u:sesame@h/d"}[k]
		})
	if err != nil {
		t.Fatal(err)
	}
	if string(c.MailPassword) != "hunter2" || string(c.StoreDSN) == "" {
		t.Error("the secrets were not read")
	}
	for _, s := range []string{fmt.Sprint(c), fmt.Sprintf("%+v", c), fmt.Sprintf("%#v", c)} {
		if strings.Contains(s, "hunter2") || strings.Contains(s, "sesame") {
			t.Errorf("a secret shows in %s", s)
		}
	}
}

// A value is taken as it is written: a password of digits keeps its zeros. What is
// nested deep is refused before it costs much.
func TestValuesAreTakenAsWritten(t *testing.T) {
	c, err := Parse("x", []byte("mail: {address: 'a:25', from: a@example.org, username: u, password: 00123}"), nil)
	if err != nil || string(c.MailPassword) != "00123" {
		t.Errorf("%q %v", string(c.MailPassword), err)
	}
	for _, one := range []string{"[", "{a: ", "- ", "mail: {", "? "} {
		testkit.Bound(t, 20<<20, func() {
			if _, err := Parse("x", []byte(strings.Repeat(one, 1<<20/len(one))), nil); err == nil {
				t.Errorf("%q was read", one)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("store: {kind: sqlite}"))
	f.Add([]byte("a: [1, {b: c}]"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := Parse("x", b, nil); err == nil && c.Workers < 1 {
			t.Error("no workers")
		}
	})
}
