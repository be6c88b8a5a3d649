// Package orders keeps the work of a firm's benches: work orders, what has
// become of them, holds and releases, who plays which unit, what goes on on
// the lines, and the sealed records. All of it lives in NATS JetStream; this is
// the only package that knows. Queue, election and replication are JetStream's.
//
// # Where the work is
//
// There are three ways to keep it, chosen by Options; the code is the same:
//
//   - Alone: a server embedded in the process, with its files in a folder.
//   - The firm's servers: Options.URL. A bench can work only while it reaches them.
//   - A leaf: an embedded server that is joined to the firm's, with a JetStream
//     domain of its own. The bench goes on while the link is down, and each side
//     catches up afterwards.
//
// A place is one store of orders: the firm's, or a leaf's. At any time an order
// is changed at one place only, Order.Place. Every change is a message that
// holds the change and the order after it, and is written only on top of the
// change that it was made from: JetStream compares the sequence number of the
// last message on the order's subject. So of two people who release a hold one
// is first, and the other is told who that was; and the last message is the
// order. What was not answered is sent again under the same message ID, and
// looked up when in doubt, so nothing is lost or done twice when a leader dies.
//
// # How an order gets to a leaf and back
//
//	firm  moved to bench B  ──────►  B    taken (firm's stream: Place is B)
//	                                 B    taken (B's stream)
//	                                 B    granted: the firm keeps the unit for B
//	                                 B    begun … ended
//	firm  reclaimed         ◄──────  B    given back
//
// The firm's stream names the bench in the subject; the leaf's server sources
// what names it, and the firm's sources every leaf's stream. Each hand-over
// raises Order.Hand, and either side can be stopped between any two of these
// lines: what is missing is seen from the two streams and done then.
//
// # Why no two benches play one unit
//
// A unit is known by its name in the site's plan and, where known, by its serial
// number; both are keys, and whoever has one key in common is kept apart.
//
// Where benches share a place, each key is a message that the server lets lapse
// (a lease, with a TTL), written only on top of the message that was read. The
// holder renews it and stops before it lapses; see Lease. What that rests on:
// the clocks of the firm's servers differ by less than a third of the lease.
//
// Between leaves time is no help: a leaf that is cut off cannot renew, and is to
// go on. So the firm grants a key to a leaf for as long as the order is there,
// without a time. The grant is asked for after the order's place is the leaf,
// the leaf begins only after it is noted there (Order.Granted), and the firm
// passes a key on only once the order is closed, which is for good, or is no
// longer at that leaf, which the leaf has to say itself. What the firm hears
// late of a leaf is a beginning of what happened there, and so errs on the side
// of keeping the key. Hence between begun and ended at a leaf, the key is its
// own. The price: a leaf that burns keeps its units until a person says that it
// is gone (Reclaim), and a unit that was never granted waits for the link.
//
// Within a leaf a lease in the leaf's own store keeps its lines apart.
//
// # What is not in the store
//
// Secrets: a hold that wants one is released without a text, and the secret goes
// to the bench at its own page; Release refuses one and says where to give it.
// What goes on on lines passes by unkept, while somebody says that they look,
// and is dropped rather than waited for; the record has it.
package orders
