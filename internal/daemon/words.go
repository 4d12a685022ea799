package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/text/language"

	"sealmanac/config"
	"sealmanac/internal/fault"
	"sealmanac/internal/wording"
)

// Words returns the languages of messages: those built in and, over them, the PO
// files of a folder, named by their language, such as es.po; "": no folder. Every
// fault of the folder's files is reported at once.
func Words(dir string) (*wording.Catalogue, error) {
	c := &wording.Catalogue{}
	var bad []string
	for tag, po := range config.Words {
		bad = append(bad, c.Add(tag, po)...)
	}
	if dir == "" {
		return c, words(bad)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.po"))
	if _, e := os.Stat(dir); e != nil || err != nil {
		return nil, &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("the folder of words %q cannot be read", dir),
			Hint: "Name a folder with files such as es.po as words:, or remove the setting.", Err: e}
	}
	for _, f := range files {
		tag := strings.TrimSuffix(filepath.Base(f), ".po")
		if _, err := language.Parse(tag); err != nil {
			bad = append(bad, fmt.Sprintf("%s: its name is not a language tag such as es or es-MX", f))
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			bad = append(bad, f+": "+err.Error())
			continue
		}
		bad = append(bad, c.Add(strings.ToLower(tag), b)...)
	}
	return c, words(bad)
}

func words(bad []string) error {
	if len(bad) == 0 {
		return nil
	}
	return &fault.Error{Kind: fault.Invalid, Msg: "the words of messages have faults:\n" + strings.Join(bad, "\n"),
		Hint: "Fix the lines named above; %[1]s and the like must stand in the translation as in the English words."}
}
