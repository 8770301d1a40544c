// Package forward sends what an agent in a van holds on to a hub: every record,
// conflicts included, in order of taking, and every refusal, as often as it
// came. The van keeps all of it for good; what moves is a cursor, in the van's
// own store, and only the hub's receipts move it. A record may therefore be sent
// twice, which the hub sees by its id, and is never left out.
//
// Sending follows the network: while it fails, batches shrink and the pauses
// grow, each chosen at random below a rising bound (full jitter: Brooker,
// "Exponential Backoff And Jitter", AWS Architecture Blog, 2015), so that many
// vans that come back together do not come back at once.
package forward
