// Package store keeps every record for good, in one bbolt file.
//
// # What is in the file
//
// Bucket entries holds the records under machine, 0x00, epoch, seq, so that one
// machine's history reads in order of taking. Epoch rises by one with every
// process that writes and with every new file; seq rises by one with every
// entry and is given in the transaction that keeps it. A value is
//
//	format 1 | flags 1 | received 8 | len(via) 1 | via | id key 16 | body 32 |
//	length 2 | told | length 4 | canonical record | chain 32 | CRC-32C 4
//
// with numbers big-endian, via the door and, after a space, the account of whoever
// came by it, received in Unix nanoseconds, body the record's
// identity (SHA-256; people are no part of it), told what would be left of an arc
// count that is thinned,
// and chain the SHA-256 of the machine's previous chain, the key, flags, via,
// marks (the SHA-256 of id key and body), sum (the SHA-256 of received, flags and
// record) and told. The CRC covers key and value. What a disk spoils,
// the CRC shows on every reading; what a person edits, removes or inserts, the
// chain shows in [Store.Verify]. In format 1, which files of schema 1 have, told
// is not there and the chain covers all that stands before it.
//
// In the canonical record a pseudonym stands for the name of a person; buckets people
// and names say for whom, until that is forgotten ([Store.Forget]). A machine whose
// records were first kept by an earlier schema has in bucket origins the end of the
// chain that it had there, at which the one that it has now begins.
//
// Bucket thinned holds what [Store.Compact] left of old arc counts, in blocks under
// the key of their first: what the chain covers, so that it is checked link by
// link as before, without the record itself.
//
// Bucket ids finds entries by the first 16 bytes of SHA-256(id), of which only
// those of its own machine count for a record, order by epoch and seq; heads
// holds each machine's last entry, counts and arc counter;
// conflicts and setups list such entries; refused, refused-seen and
// refused-counts keep what was not taken; meta the schema and the last numbers.
// Buckets decision and outcomes keep what was concluded from the records, outbox
// and outbox-keys what has to leave because of it: opaque bytes, written in one
// transaction, see [Store.Decide]. Bucket kept holds what was worked out from the
// records, see [Store.PutCached]: all of it may be lost.
//
// # What is beside it
//
// FILE.ballast takes up room that a full disk still has for alerts.
//
// FILE.witness says where the store had got to. A store that is found behind its
// witness, emptied or swapped for another is reported as a [Diagnostic], put or
// copied into quarantine/ beside it, and data are taken again under a new epoch.
package store
