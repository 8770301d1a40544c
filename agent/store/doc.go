// Package store keeps every record for good, in one bbolt file.
//
// # What is in the file
//
// Bucket entries holds the records under machine, 0x00, epoch, seq, so that the
// history of one machine reads in order of taking. Epoch rises by one with every
// process that writes and with every new file. Seq rises by one with every entry
// and is given in the transaction that stores it. A value is
//
//	format 1 | flags 1 | received 8 | len(via) 1 | via | id key 16 | body 32 |
//	length 2 | reduced | length 4 | canonical record | chain 32 | CRC-32C 4
//
// Numbers are big-endian. via is the source and, after a space, the account of the
// sender; received is in Unix nanoseconds. body is the record's identity (SHA-256,
// without people). reduced is what compaction would keep of an arc count. chain is
// the SHA-256 of the machine's previous chain value, the key, flags, via, marks (the
// SHA-256 of id key and body), sum (the SHA-256 of received, flags and record) and
// reduced. The CRC covers key and value. The CRC shows at every reading what a disk
// has corrupted; the chain shows in [Store.Verify] what a person has edited, removed
// or inserted. Format 1, of files of schema 1, has no reduced form, and its chain
// covers all bytes before it.
//
// In the canonical record a pseudonym stands for the name of a person. Buckets
// people and names hold the names until [Store.Forget] removes one. If an earlier
// schema stored the first records of a machine, bucket origins holds the end of the
// chain that it had there; the present chain begins with that value.
//
// Bucket thinned holds what [Store.Compact] has kept of old arc counts, in blocks
// under the key of the first: what the chain covers, so that every link can still be
// checked, without the record itself.
//
// Bucket ids finds entries by the first 16 bytes of SHA-256(id); an id belongs to
// one machine. Bucket order lists entries by epoch and seq. heads holds for each
// machine the last entry, counts and the arc counter. conflicts and setups list such
// entries. refused, refused-seen and refused-counts hold what was not taken; meta
// holds the schema and the last numbers. decision and outcomes hold what was
// concluded from the records, outbox and outbox-keys the messages that have to be
// sent because of it: opaque bytes, written in one transaction, see [Store.Decide].
// Bucket kept is a cache, see [Store.PutCached]: all of it may be lost.
//
// # What is beside it
//
// FILE.ballast is the reserve: room that a full disk still has for alerts.
//
// FILE.witness is the checkpoint: how far the store had got. A store that is behind
// its checkpoint, emptied, or replaced by another is reported as a [Diagnostic] and
// copied or moved to quarantine/. Records are then taken under a new epoch.
package store
