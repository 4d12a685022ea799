// Package config embeds the default rulebook, the demo scenario and the climate
// and place tables, because go:embed cannot reach a parent folder. It imports
// nothing; package cli, daemon and tests hand its bytes to the packages that
// read them.
package config

import "embed"

// The climate and place tables, gzip of CSV; gen.go makes them.
var (
	//go:embed tables/normals.csv.gz
	Normals []byte
	//go:embed tables/tmy3.csv.gz
	Typical []byte
	//go:embed tables/places.csv.gz
	Places []byte
	//go:embed tables/zips.csv.gz
	Zips []byte
)

// Words are the message catalogues by language tag, in the format of GNU gettext.
// English stands in the program and the rulebook.
var Words = map[string][]byte{"es": spanish, "fr": french}

var (
	//go:embed words/es.po
	spanish []byte
	//go:embed words/fr.po
	french []byte
)

// Phrases is the catalogue without translations, of everything that is said.
//
//go:embed words/messages.pot
var Phrases []byte

// Rulebook is the default rulebook.
//
//go:embed rulebook.yaml
var Rulebook []byte

// Demo is the demo scenario, a coach file.
//
//go:embed demo.yaml
var Demo []byte

// Guides are the guides for users and operators, as Markdown.
//
//go:embed guides/*.md
var Guides embed.FS
