package testkit

import (
	"runtime"
	"testing"
)

// Bound fails a test when f allocates more than so many bytes in all, whether or not
// they are freed on the way: work that grows faster than its input allocates, and this
// figure does not depend on how busy the machine is. Other goroutines of the process
// count too, so tests that use it do not run in parallel.
func Bound(t testing.TB, most uint64, f func()) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	if used := after.TotalAlloc - before.TotalAlloc; used > most {
		t.Errorf("it allocates %d kB, more than %d kB", used>>10, most>>10)
	}
}
