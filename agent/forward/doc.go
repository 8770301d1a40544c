// Package forward sends the records of an agent in a van to a hub: every record,
// conflicts included, in order of taking, and every refusal with its count. The van keeps
// all of it for good. A cursor in the van's store says what the hub has, and only the
// hub's receipts move it. So a record may be sent twice, which the hub sees by its id, but
// is never left out.
//
// After a failure the batches become smaller and the pauses longer, with full jitter (see
// agent/backoff), so that many vans do not come back at once.
package forward
