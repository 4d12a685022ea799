package web

import "testing"

// A redirect stays on this site, however an address is written.
func TestRedirectsStayHere(t *testing.T) {
	for path, want := range map[string]string{
		"/board?state=due": "/board?state=due", "/coach/a#pictures": "/coach/a#pictures", "": "/board", "board": "/board",
		"//evil.example": "/board", `/\evil.example`: "/board", `\\evil.example`: "/board", `/\/evil.example`: "/board",
		"https://evil.example/": "/board", "javascript:alert(1)": "/board", "/%zz": "/board", "///evil.example": "/board",
	} {
		if got := ours(path); got != want {
			t.Errorf("%q leads to %q, want %q", path, got, want)
		}
	}
}
