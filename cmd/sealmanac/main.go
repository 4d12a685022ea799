// Command sealmanac is an almanac for slide-out seals. Package cli holds its
// subcommands.
package main

import (
	"os"
	_ "time/tzdata" // zones on machines that have none

	"sealmanac/internal/cli"
)

func main() { os.Exit(cli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
