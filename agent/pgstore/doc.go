// Package pgstore keeps every record for good in a PostgreSQL database, for a hub of
// several equal processes. It does what package store does in a file, with the same
// bytes, so that chains, digests and repeats are the same in both.
//
// # Slots
//
// The machines are divided into slots by a hash of their names ([Store.Slot]). Every
// table that grows has the slot as the first column of its key and is partitioned by
// it. A transaction that stores records writes to one slot: it locks the slot's row in
// table slots, reads the heads of its machines and the entries whose ids it may repeat,
// and writes the new entries, the heads and the slot's last number. There are two round
// trips for all records of one call and slot.
//
// A receipt follows the commits of all slots of a call. They share one flush of the
// database's log: each commits with synchronous_commit off, and then an empty message in
// the log commits with it on (pg_logical_emit_message). That waits until the log is on the
// disk up to its own end, and so up to the ends of the others, and holds no lock meanwhile.
// A call of one slot commits with it on; one that brings only repeats commits too, because
// whoever brought them first may still wait. If the address of the database sets
// synchronous_commit, every commit goes by that.
//
// # Numbers
//
// An entry's number (epoch, seq) comes from a logical clock (Lamport, Time, clocks, and
// the ordering of events in a distributed system, 1978): it is above every number that the
// process has given or seen, and above the last of the slot. So numbers rise within a
// machine, and in the order in which one process took records, without a sequence that all
// share. The slot is the remainder of seq by the number of slots, so no two slots give the
// same. There are gaps. Entries that were adopted from a file have the file's numbers.
//
// A transaction can commit after another that has higher numbers in another slot. So
// [Store.Since] first moves slots that are behind up to the highest number, one
// transaction each, which waits for those that are running. After that nothing can get a
// lower number, and nobody who reads in order of numbers misses an entry. What was read
// cannot be lost with the server either: moving the slots waits for the disk. In one slot
// numbers rise in the order of the commits; a process that listens for news there goes by
// numbers that it had read before a commit of its own, which waited for the disk
// ([Table.Renew]).
//
// # What a distributed database has to do
//
// A database that divides tables by a column over several nodes can hold the store if it
// divides slots, lease, heads, entries, counts, cache, decisions, outcomes, outbox and
// outbox_keys by slot, and keeps a copy of these small tables on every node: meta,
// generations, people, counters, refusals, refusal_counts, cursors, processes,
// documents, sign_ins. The statements keep to this:
//
//   - every transaction that writes to divided tables names one slot in each statement;
//   - no transaction writes to a divided and to a small table, but opening and dropping a
//     generation, which a distributed database has to be told by its own means;
//   - no sequence, no trigger, no foreign key; numbers come from rows that the
//     transaction has locked;
//   - reading over all slots is one query with a part for each slot, or one query a slot.
//
// If its nodes have a log each, the address must set synchronous_commit, so that every
// commit is flushed where it happens.
//
// Only PostgreSQL 15 itself was tested.
//
// # Owners
//
// Any process takes records of any machine. What follows from them (cache, decisions,
// outbox) is written by the owner of the slot: see [Lease] and [Store.Under].
//
// # Arc counts
//
// The whole records of arc counts are in table counts, which is partitioned by
// generation; table entries holds what the model reads of them and what proves them.
// [Store.OpenGeneration] begins a new one. [Store.Drop] moves what a file would keep whole
// from an old one to the newest, and drops the rest in one step, whatever its size. What is
// kept of that is what compaction leaves in a file: see [store.Compaction].
package pgstore
