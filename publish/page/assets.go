package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"html/template"
	"mime"
	"net/http"
	"path"
	"strings"
)

//go:embed web
var web embed.FS

// files are what the pages load beside themselves. A browser may keep each for good: its address changes
// with its content. Style sheets stand in the pages, so that a page is painted as soon as it is there.
type files struct {
	urls   map[string]string       // name to address
	assets map[string]*asset       // name to content
	styles map[string]template.CSS // name to content
	policy string                  // the Content-Security-Policy that lets these styles in and no others
}

type asset struct {
	kind         string
	body, packed []byte
}

const filePath = "/file/"

// loadFiles reads every embedded file that is no template.
func loadFiles() (*files, error) {
	f := &files{urls: map[string]string{}, assets: map[string]*asset{}, styles: map[string]template.CSS{}}
	hashes := ""
	entries, err := web.ReadDir("web")
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	for _, e := range entries {
		name := e.Name()
		kind := mime.TypeByExtension(path.Ext(name))
		switch path.Ext(name) {
		case ".html", ".LICENSE", ".webmanifest":
			continue
		case ".js":
			kind = "text/javascript; charset=utf-8"
		case ".svg":
			kind = "image/svg+xml"
		}
		body, err := web.ReadFile("web/" + name)
		if err != nil {
			return nil, fmt.Errorf("page: %w", err)
		}
		sum := sha256.Sum256(body)
		if path.Ext(name) == ".css" {
			f.styles[name] = template.CSS(body)
			hashes += " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
			continue
		}
		packed, err := pack(body)
		if err != nil {
			return nil, err
		}
		f.assets[name] = &asset{kind, body, packed}
		f.urls[name] = filePath + name + "?v=" + hex.EncodeToString(sum[:6])
	}
	f.policy = "default-src 'none'; script-src 'self'; style-src" + hashes + "; connect-src 'self'; manifest-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	return f, nil
}

// style gives a style sheet; a template that asks for one that is not there fails.
func (f *files) style(name string) (template.CSS, error) {
	if s, ok := f.styles[name]; ok {
		return s, nil
	}
	return "", fmt.Errorf("no style sheet is called %s", name)
}

// pack compresses a body; every browser takes gzip.
func pack(body []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	if _, err := z.Write(body); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return b.Bytes(), nil
}

// url gives a file's address; a template that asks for one that is not there fails.
func (f *files) url(name string) (string, error) {
	if u, ok := f.urls[name]; ok {
		return u, nil
	}
	return "", fmt.Errorf("no file is called %s", name)
}

func (f *files) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a, ok := f.assets[strings.TrimPrefix(r.URL.Path, filePath)]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Vary", "Accept-Encoding")
	body := a.body
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		body = a.packed
	}
	// A browser that hung up is its own affair.
	_, _ = w.Write(body)
}

func takesGzip(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept-Encoding"), "gzip")
}

// writePacked writes a body that may be long, compressed where the browser takes it.
func writePacked(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Set("Vary", "Accept-Encoding")
	// Under a packet or two nothing is won.
	if len(body) > 2000 && takesGzip(r) {
		var b bytes.Buffer
		if z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed); err == nil {
			if _, err := z.Write(body); err == nil && z.Close() == nil {
				w.Header().Set("Content-Encoding", "gzip")
				body = b.Bytes()
			}
		}
	}
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

// serveManifest answers what a phone wants to know to keep the page on its home screen.
func (p *Page) serveManifest(w http.ResponseWriter, r *http.Request) {
	site := "holdbell"
	if st := p.state.Load(); st != nil {
		site = st.Site
	}
	type icon struct {
		Src   string `json:"src"`
		Sizes string `json:"sizes"`
		Type  string `json:"type"`
	}
	w.Header().Set("Cache-Control", "no-cache")
	writeAs(w, http.StatusOK, "application/manifest+json", struct {
		Name       string `json:"name"`
		Short      string `json:"short_name"`
		Start      string `json:"start_url"`
		Scope      string `json:"scope"`
		Display    string `json:"display"`
		Background string `json:"background_color"`
		Theme      string `json:"theme_color"`
		Icons      []icon `json:"icons"`
	}{site, site, "/", "/", "standalone", "#dcd8cf", "#4d545c", []icon{
		{p.files.urls["icon-192.png"], "192x192", "image/png"},
		{p.files.urls["icon-512.png"], "512x512", "image/png"},
		{p.files.urls["icon.svg"], "any", "image/svg+xml"}}})
}

// loadTemplates parses each page with the layout around it.
func (p *Page) loadTemplates() error {
	p.label = labels()
	funcs := template.FuncMap{
		"w": func(key string) (string, error) {
			if word, ok := p.label[key]; ok {
				return word, nil
			}
			return "", fmt.Errorf("no label is called %s", key)
		},
		"file":  p.files.url,
		"style": p.files.style,
	}
	shared, err := template.New("").Funcs(funcs).ParseFS(web, "web/layout.html", "web/parts.html")
	if err != nil {
		return fmt.Errorf("page: %w", err)
	}
	p.parts, p.pages = shared, map[string]*template.Template{}
	for _, name := range []string{"rail", "station", "lot", "alarms", "board", "record", "figures", "compare", "gone", "mark", "sign", "reply"} {
		// Cloned before anything is executed: html/template takes nothing up afterwards.
		t, err := shared.Clone()
		if err == nil {
			t, err = t.ParseFS(web, "web/"+name+".html")
		}
		if err != nil {
			return fmt.Errorf("page: %w", err)
		}
		p.pages[name] = t
	}
	return nil
}
