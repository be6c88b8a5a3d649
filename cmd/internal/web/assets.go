package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"maps"
	"net/http"
	"path"
	"slices"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/page"
	"linehand/transcript/replay"
)

//go:embed assets
var assetData embed.FS

// assets are the files that pages refer to, by name.
type assets map[string][]byte

func assetFiles() assets {
	files := make(assets)
	entries, err := assetData.ReadDir("assets")
	if err != nil {
		panic(err) // it is inside this program
	}
	for _, e := range entries {
		data, err := assetData.ReadFile("assets/" + e.Name())
		if err != nil {
			panic(err)
		}
		files[e.Name()] = data
	}
	files["look.css"] = []byte(withChoice(draw.Style) + string(files["look.css"]) + "\n.plan {\n" + page.Style + "\n}\n")
	files["replay.js"] = []byte(replay.Script)
	return files
}

// withChoice makes the colours of drawings follow what a person has chosen,
// and the system's setting where they have not.
func withChoice(style string) string {
	const dark, root, print = "@media (prefers-color-scheme: dark) {", ":root {", "@media print {"
	start, inPrint := strings.Index(style, dark), strings.Index(style, print)
	if start < 0 || inPrint < start {
		panic("the drawings' style has no dark part before that for paper")
	}
	light, night, rest := style[:start], style[start:inPrint], style[inPrint:]
	from := strings.Index(night, root) + len(root)
	colours := night[from : from+strings.Index(night[from:], "}")]
	return light + strings.Replace(night, root, `:root:not([data-scheme="light"]) {`, 1) +
		`:root[data-scheme="dark"] {` + colours + "}\n" + strings.Replace(rest, root, ":root:root:root {", 1)
}

// version is other when any file is.
func (f assets) version() string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(f)) {
		h.Write([]byte(name))
		h.Write(f[name])
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

var kinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

// ServeHTTP serves a file. One that is asked for by its version may be kept:
// another version has another address.
func (f assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	data, ok := f[strings.TrimPrefix(r.URL.Path, "/assets/")]
	if !ok {
		http.Error(w, "there is no such file", http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", kinds[path.Ext(r.URL.Path)])
	if r.URL.Query().Get("v") != "" {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	_, _ = w.Write(data)
}
