// Package dashboard holds the built page, so that the server is one file.
package dashboard

import (
	"embed"
	"io/fs"
)

//go:generate go run ./tsgen -out src/lib/protocol/types.gen.ts

//go:embed all:dist
var built embed.FS

// unbuilt stands in for a page that was not built. It says nothing of any pot.
//
//go:embed unbuilt
var unbuilt embed.FS

// Dist is the page: index.html at the root and assets/ beside it. Where the page was not built before the program
// was compiled, its index.html says so and how to build it.
func Dist() fs.FS { return orUnbuilt(sub(built, "dist")) }

// orUnbuilt is dist, or the stand-in where dist has no index.html.
func orUnbuilt(dist fs.FS) fs.FS {
	if _, err := fs.Stat(dist, "index.html"); err == nil {
		return dist
	}
	return sub(unbuilt, "unbuilt")
}

// sub cannot fail: the names are the ones embedded above.
func sub(f embed.FS, dir string) fs.FS {
	s, err := fs.Sub(f, dir)
	if err != nil {
		panic("dashboard: " + dir + " is not a valid path")
	}
	return s
}
