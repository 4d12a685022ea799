package desk

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
)

// grouped makes one calendar entry of what is due on a coach on one day, as a mail names
// it all at once; what is overdue stands together on today. What is done on an agreed day
// stands in its visit, and what somebody put off stands on the day on which it is asked
// for again. An entry's summary is the keys of its tasks, the one that leads first.
func grouped(ts []Task, rules *rulebook.Rulebook, today civil.Date) (out []store.Entry) {
	at := map[[2]string]int{}
	for _, t := range ts {
		if t.State == reminder.StandsBooked || t.State == reminder.StandsSaid {
			continue
		}
		day := max(t.Target, today.String())
		if t.State == reminder.StandsPutOff {
			day = max(day, t.PutOffUntil.String())
		}
		until := max(t.Latest, day)
		k, known := at[[2]string{t.Coach, day}]
		if !known {
			k = len(out)
			at[[2]string{t.Coach, day}] = k
			out = append(out, store.Entry{Coach: t.Coach, Kind: "task", Day: day, Until: until})
		}
		e := &out[k]
		e.Until = min(e.Until, until)
		e.Summary += t.Key + "\n"
	}
	for i := range out {
		keys := strings.Fields(out[i].Summary)
		slices.SortFunc(keys, func(a, b string) int {
			return cmp.Or(rules.Tasks[kindOf(b)].Weight-rules.Tasks[kindOf(a)].Weight, strings.Compare(a, b))
		})
		out[i].Summary = strings.Join(keys, "\n")
	}
	return out
}

// kindOf is the kind of a task by its key.
func kindOf(key string) coach.TaskKind {
	kind, _, _ := strings.Cut(key, "|")
	return coach.TaskKind(kind)
}

// pairing is a group that shares tasks with an entry that calendars show.
type pairing struct {
	group, shared int
	moved         int // 1: the group stands on another day than the entry
	uid           string
}

// nameGroups gives groups their UIDs: each takes over the entry with which it shares most
// tasks, so that a group stays the same event when its day moves or a task joins or leaves
// it. Entries of one task each, as calendars showed them before there were groups, are
// taken over in the same way.
func nameGroups(groups, old []store.Entry) {
	live, holder := map[string]store.Entry{}, map[string]string{}
	for _, e := range old {
		if e.Kind != "task" || e.Cancelled == 1 {
			continue
		}
		live[e.UID] = e
		for key := range strings.SplitSeq(e.Summary, "\n") {
			holder[e.Coach+"|"+key] = e.UID
		}
	}
	var pairs []pairing
	for i, g := range groups {
		shared := map[string]int{}
		for key := range strings.SplitSeq(g.Summary, "\n") {
			uid, ok := holder[g.Coach+"|"+key]
			if !ok {
				uid = taskUID(g.Coach, key)
			}
			if _, ok := live[uid]; ok {
				shared[uid]++
			}
		}
		for uid, n := range shared {
			moved := 0
			if live[uid].Day != g.Day {
				moved = 1
			}
			pairs = append(pairs, pairing{i, n, moved, uid})
		}
	}
	slices.SortFunc(pairs, func(a, b pairing) int {
		return cmp.Or(b.shared-a.shared, a.moved-b.moved, a.group-b.group, strings.Compare(a.uid, b.uid))
	})
	used := map[string]bool{}
	for _, p := range pairs {
		if groups[p.group].UID == "" && !used[p.uid] {
			groups[p.group].UID, used[p.uid] = p.uid, true
		}
	}
	for i := range groups {
		g := &groups[i]
		key, _, _ := strings.Cut(g.Summary, "\n")
		for n := 0; g.UID == ""; n++ {
			uid := taskUID(g.Coach, key)
			if n > 0 {
				uid = taskUID(g.Coach, fmt.Sprintf("%s|%d", key, n))
			}
			if _, taken := live[uid]; !taken && !used[uid] {
				g.UID, used[uid] = uid, true
			}
		}
	}
}
