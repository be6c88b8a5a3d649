// Package access says who may do what at a bench, and keeps everybody else
// out.
//
// A Gate stands before everything that the bench serves. It refuses a request
// for a host that is not the bench's (a rebound name), one that another site's
// page has sent, and one that comes too fast; it sets the headers that keep a
// browser strict; and it lets nothing through but signing in and the health
// checks until it knows who asks. What stands behind it takes the Session out
// of the request's context:
//
//	s, ok := access.From(r.Context())   // who asks, and what they may do
//	s.May(access.Play)
//	bench.Allow(ctx, s.By(), unit)      // every change carries its person
//
// There are four ways in:
//
//   - The link that the bench prints when it is started on a loopback address.
//     It is good once and for a short time, for whoever sits at the bench.
//   - A name and a passphrase of People, which are added at the bench. Beyond
//     loopback that is the only way for people, and only with TLS.
//   - An API token, made by somebody with the role keys, with a name, roles
//     and an end, for programs elsewhere.
//   - The socket in the bench's data folder, which only its owner can open.
//
// Secrets are kept as digests: passphrases by argon2id, and random tokens of
// 256 bits by SHA-256, which is enough for them. Sessions are in memory and end
// with the process.
package access
