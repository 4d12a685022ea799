// Package buildinfo tells which build this is, from what the Go tool recorded
// in the binary. It imports nothing of ours; metrics, mail and cli show it.
package buildinfo

import "runtime/debug"

// Version returns the module version or, for a build from a checkout, the
// revision; "devel" when neither was recorded.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "devel"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return s.Value[:12]
		}
	}
	return "devel"
}
