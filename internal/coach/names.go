package coach

import (
	"slices"
	"strings"
)

// wordNames are the names by which people and programs know a stored word whose spelling
// is older. What is stored keeps its spelling: it stands in keys of tasks, in links that
// were mailed, and in archives. Text that comes in may use either.
var wordNames = map[string]string{
	string(Lubricate): "clean_and_condition", string(WaterTest): "hose_test",
	string(Aluminium): "aluminum", string(Plasticiser): "plasticizer_loss",
	string(RoomOut): "slide_removal",
}

// sideNames are the same for the sides of an edge, the last step of its key.
var sideNames = map[string]string{string(Fore): "front", string(Aft): "rear"}

var sideKeys = map[string]string{"front": string(Fore), "rear": string(Aft)}

// Named returns the name by which people and programs know a stored word.
func Named[T ~string](word T) string {
	if name, ok := wordNames[string(word)]; ok {
		return name
	}
	return string(word)
}

// WordOf returns the word of a set that a text names, in its present name or an older one.
func WordOf[T ~string](set []T, text string) (T, bool) {
	for _, w := range set {
		if text == string(w) || text == Named(w) {
			return w, true
		}
	}
	return "", false
}

// EdgeName returns the name of an edge, or of an edge with its slide, by its stored key:
// "outer/front" for "outer/fore". Other texts stay as they are.
func EdgeName(key string) string { return lastStep(key, sideNames) }

// EdgeKey returns the stored key of an edge by its name, in its present form or an older one.
func EdgeKey(name string) string { return lastStep(name, sideKeys) }

// OldWords lists the words and sides that have a name, the name first, by name.
func OldWords() (out [][2]string) {
	for _, names := range []map[string]string{wordNames, sideNames} {
		for word, name := range names {
			out = append(out, [2]string{name, word})
		}
	}
	slices.SortFunc(out, func(a, b [2]string) int { return strings.Compare(a[0], b[0]) })
	return out
}

func lastStep(path string, names map[string]string) string {
	k := strings.LastIndexByte(path, '/')
	if k < 0 {
		return path
	}
	if to, ok := names[path[k+1:]]; ok {
		return path[:k+1] + to
	}
	return path
}
