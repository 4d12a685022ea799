// Package arch holds the import table of the program as a test: which package
// may import which, which are pure, and the sizes we watch. Nothing imports it.
package arch
