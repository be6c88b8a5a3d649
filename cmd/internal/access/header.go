package access

import "net/http"

// policy lets pages have scripts, styles and pictures of the bench itself, in
// files of their own, and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; manifest-src 'self'; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// strict sets the headers that keep a browser strict. What stands behind may
// only loosen Cache-Control.
func (g *Gate) strict(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()")
	h.Set("Cache-Control", "no-store")
	if g.cert != nil {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}
