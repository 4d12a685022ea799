// Package settings reads the configuration file: defaults, strict keys, every
// problem at once, secrets from files or the environment and never in a log.
//
// It imports row 0 only; daemon turns its values into what other packages need.
package settings

import (
	"cmp"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/robfig/cron/v3"

	"sealmanac/internal/fault"
)

// Secret is a value that must not reach a log, an error or a page.
type Secret string

// String hides the value.
func (Secret) String() string { return "[hidden]" }

// GoString hides the value from %#v.
func (Secret) GoString() string { return "[hidden]" }

// MarshalText hides the value from encoders.
func (Secret) MarshalText() ([]byte, error) { return []byte("[hidden]"), nil }

// Config is the whole configuration.
type Config struct {
	StoreKind    string // sqlite or postgres
	StorePath    string
	StoreDSN     Secret
	MailAddress  string
	MailTLS      string
	MailUser     string
	MailPassword Secret
	MailFrom     string
	MailHello    string
	MailTimeout  time.Duration
	Workers      int
	Listen       string
	PublicURL    string
	Rulebook     string
	PassCron     string
	Upkeep       time.Duration
	FeedsAllow   []string // hosts of booking feeds that may lie inside the operator's network
}

// Default returns the configuration that an empty file gives.
func Default() Config {
	return Config{StoreKind: "sqlite", StorePath: "sealmanac.db", MailTLS: "starttls", MailTimeout: time.Minute, Workers: 4,
		Listen: "127.0.0.1:8080", PassCron: "30 2 * * *", Upkeep: 5 * time.Minute}
}

// key is one setting: where it goes, and what it may be.
type key struct {
	path string
	env  string                           // environment variable that overrides it
	set  func(c *Config, v string) string // returns what is wrong, or ""
}

// shown reports whether a value may stand in a message.
func (k key) shown() bool { return k.path != "store.dsn" && k.path != "mail.password" }

func text(at func(*Config) *string) func(*Config, string) string {
	return func(c *Config, v string) string { *at(c) = v; return "" }
}

func oneOf(at func(*Config) *string, words ...string) func(*Config, string) string {
	return func(c *Config, v string) string {
		if !slices.Contains(words, v) {
			return "is not known here; allowed: " + strings.Join(words, ", ")
		}
		*at(c) = v
		return ""
	}
}

func secret(at func(*Config) *Secret) func(*Config, string) string {
	return func(c *Config, v string) string { *at(c) = Secret(v); return "" }
}

func secretFile(at func(*Config) *Secret) func(*Config, string) string {
	return func(c *Config, v string) string {
		b, err := os.ReadFile(v)
		if err != nil {
			return "cannot be read: " + err.Error()
		}
		*at(c) = Secret(strings.TrimRight(string(b), "\r\n"))
		return ""
	}
}

func span(at func(*Config) *time.Duration, low, high time.Duration) func(*Config, string) string {
	return func(c *Config, v string) string {
		d, err := time.ParseDuration(v)
		if err != nil || d < low || d > high {
			return fmt.Sprintf("is not a time from %v to %v, such as 30s or 5m", low, high)
		}
		*at(c) = d
		return ""
	}
}

func hostPort(at func(*Config) *string) func(*Config, string) string {
	return func(c *Config, v string) string {
		if _, port, err := net.SplitHostPort(v); err != nil || port == "" {
			return "is not host:port"
		}
		*at(c) = v
		return ""
	}
}

var keys = []key{
	{"store.kind", "SEALMANAC_STORE_KIND", oneOf(func(c *Config) *string { return &c.StoreKind }, "sqlite", "postgres")},
	{"store.path", "SEALMANAC_STORE_PATH", text(func(c *Config) *string { return &c.StorePath })},
	{"store.dsn", "SEALMANAC_STORE_DSN", secret(func(c *Config) *Secret { return &c.StoreDSN })},
	{"store.dsn_file", "", secretFile(func(c *Config) *Secret { return &c.StoreDSN })},
	{"mail.address", "SEALMANAC_MAIL_ADDRESS", hostPort(func(c *Config) *string { return &c.MailAddress })},
	{"mail.tls", "", oneOf(func(c *Config) *string { return &c.MailTLS }, "starttls", "implicit", "none")},
	{"mail.username", "", text(func(c *Config) *string { return &c.MailUser })},
	{"mail.password", "SEALMANAC_MAIL_PASSWORD", secret(func(c *Config) *Secret { return &c.MailPassword })},
	{"mail.password_file", "", secretFile(func(c *Config) *Secret { return &c.MailPassword })},
	{"mail.from", "", func(c *Config, v string) string {
		if a, err := mail.ParseAddress(v); err != nil || a.Address != v {
			return "is not a plain e-mail address"
		}
		c.MailFrom = v
		return ""
	}},
	{"feeds.allow", "", func(c *Config, v string) string {
		for _, h := range strings.Split(v, ",") {
			if h = strings.TrimSpace(h); h != "" {
				c.FeedsAllow = append(c.FeedsAllow, h)
			}
		}
		return ""
	}},
	{"mail.hello", "", text(func(c *Config) *string { return &c.MailHello })},
	{"mail.timeout", "", span(func(c *Config) *time.Duration { return &c.MailTimeout }, time.Second, 10*time.Minute)},
	{"mail.workers", "", func(c *Config, v string) string {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > 100 {
			return "is not a number from 1 to 100"
		}
		c.Workers = n
		return ""
	}},
	{"web.listen", "SEALMANAC_WEB_LISTEN", hostPort(func(c *Config) *string { return &c.Listen })},
	{"web.public_url", "SEALMANAC_WEB_PUBLIC_URL", func(c *Config, v string) string {
		u, err := url.Parse(v)
		if err != nil || (u.Scheme != "https" && u.Scheme != "http") || u.Host == "" || u.RawQuery != "" || u.Fragment != "" {
			return "is not an http(s) address such as https://seals.example.org"
		}
		c.PublicURL = strings.TrimRight(v, "/")
		return ""
	}},
	{"rulebook", "", text(func(c *Config) *string { return &c.Rulebook })},
	{"schedule.pass", "", func(c *Config, v string) string {
		if _, err := cron.ParseStandard(v); err != nil || strings.Contains(v, "TZ=") {
			return "is not a schedule of five fields, such as 30 2 * * * (the shop's own zone is used)"
		}
		c.PassCron = v
		return ""
	}},
	{"schedule.upkeep", "", span(func(c *Config) *time.Duration { return &c.Upkeep }, time.Second, 24*time.Hour)},
}

// Keys returns all settings in order; README.md is checked against them.
func Keys() (out []string) {
	for _, k := range keys {
		out = append(out, k.path)
	}
	return out
}

// Load reads a configuration file ("" for none) and the environment.
func Load(path string, env func(string) string) (Config, error) {
	var text []byte
	if path != "" {
		b, err := os.ReadFile(path)
		if err != nil {
			return Config{}, &fault.Error{Kind: fault.Invalid, Msg: "the configuration file cannot be read", Hint: "Name it with --config.", Err: err}
		}
		text = b
	}
	return Parse(cmp.Or(path, "defaults"), text, env)
}

// Parse reads a configuration. All problems are in the error, each with its key.
func Parse(name string, src []byte, env func(string) string) (Config, error) {
	c := Default()
	values, broken := map[string]string{}, map[string]bool{}
	var bad []string
	var tree map[string]any
	if err := yaml.Unmarshal(src, &tree); err != nil {
		return c, &fault.Error{Kind: fault.Invalid, Msg: name + ": " + yaml.FormatError(err, false, false), Hint: "Mend the file at the line shown."}
	}
	flatten("", tree, values, &bad)
	for _, k := range keys {
		v, given := values[k.path]
		delete(values, k.path)
		if k.env != "" && env != nil && env(k.env) != "" {
			v, given = env(k.env), true
		}
		if given {
			if wrong := k.set(&c, v); wrong != "" {
				if k.shown() {
					wrong = fmt.Sprintf("%q %s", v, wrong)
				}
				bad = append(bad, k.path+": "+wrong)
				broken[k.path] = true
			}
		}
	}
	for k := range values {
		bad = append(bad, fmt.Sprintf("%s: is not a setting; allowed: %s", k, strings.Join(Keys(), ", ")))
	}
	for _, b := range c.check() {
		if k, _, _ := strings.Cut(b, ":"); !broken[k] {
			bad = append(bad, b)
		}
	}
	if len(bad) == 0 {
		return c, nil
	}
	slices.Sort(bad)
	return c, &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("%s: %d problem(s)\n%s", name, len(bad), strings.Join(bad, "\n")), Hint: "Mend the keys named above; config/sealmanac.example.yaml shows them all."}
}

func flatten(prefix string, tree map[string]any, into map[string]string, bad *[]string) {
	for k, v := range tree {
		path := k
		if prefix != "" {
			path = prefix + "." + k
		}
		switch x := v.(type) {
		case map[string]any:
			flatten(path, x, into, bad)
		case []any:
			*bad = append(*bad, path+": is a list, not a single value")
		case nil:
		default:
			into[path] = fmt.Sprint(x)
		}
	}
}

// check looks at keys that depend on each other.
func (c *Config) check() (bad []string) {
	if c.StoreKind == "postgres" && c.StoreDSN == "" {
		bad = append(bad, "store.dsn: is required with store.kind postgres (or dsn_file, or SEALMANAC_STORE_DSN)")
	}
	if (c.MailUser == "") != (c.MailPassword == "") {
		bad = append(bad, "mail.username: goes with mail.password or mail.password_file")
	}
	if c.MailTLS == "none" && c.MailUser != "" {
		bad = append(bad, "mail.tls: none would send the password in the clear; use starttls or implicit")
	}
	if c.MailAddress != "" && c.MailFrom == "" {
		bad = append(bad, "mail.from: is required with mail.address")
	}
	return bad
}

// ForServing returns what is missing to run the daemon, or nil.
func (c *Config) ForServing() error {
	var bad []string
	if c.MailAddress == "" {
		bad = append(bad, "mail.address: is required to send reminders")
	}
	if c.PublicURL == "" {
		bad = append(bad, "web.public_url: is required, it stands in every message")
	}
	if len(bad) == 0 {
		return nil
	}
	return &fault.Error{Kind: fault.Invalid, Msg: strings.Join(bad, "\n"), Hint: "config/sealmanac.example.yaml shows all settings."}
}

// Domain returns the right side of our Message-IDs: the domain of mail.from.
func (c *Config) Domain() string {
	if i := strings.LastIndexByte(c.MailFrom, '@'); i >= 0 {
		return c.MailFrom[i+1:]
	}
	return "localhost"
}
