-- +goose Up

-- Small tables that every node of a distributed database may hold a copy of.
create table meta (
	one boolean primary key default true check (one),
	name text not null,
	slots integer not null check (slots between 1 and 4096),
	adopting boolean not null default false
);
create table generations (
	generation integer primary key,
	opened timestamptz not null default now(),
	dropped bigint -- how many arc counts lost their record with it; null while it is there
);
create table people (
	pseudonym text collate "C" primary key,
	first text collate "C" not null,
	name bytea not null,
	change bigint not null
);
create unique index people_name on people (name) where name <> '';
create index people_change on people (change);
create table counters (name text primary key, n bigint not null);
create table refusals (
	n bigint primary key,
	change bigint not null,
	mark bytea not null unique,
	machine text collate "C" not null,
	refusal bytea not null
);
create index refusals_change on refusals (change);
create table refusal_counts (key bytea primary key, n bigint not null);
create table cursors (
	name text collate "C" primary key,
	epoch bigint not null,
	seq bigint not null,
	refusal bigint not null,
	people bigint not null
);

-- Tables divided by slot; a slot is a share of the machines. A transaction that writes
-- to them writes to one slot.
create table slots (
	slot integer primary key,
	epoch bigint not null,
	seq bigint not null,
	entries bigint not null default 0,
	conflicts bigint not null default 0,
	machines bigint not null default 0,
	generation integer not null
) with (fillfactor = 10);
create table lease (
	slot integer primary key,
	owner text not null default '',
	fence bigint not null default 0,
	until timestamptz not null default '-infinity'
) with (fillfactor = 10);
create table heads (
	slot integer not null,
	machine text collate "C" not null,
	epoch bigint not null,
	seq bigint not null,
	entries bigint not null,
	conflicts bigint not null,
	arcs bigint,
	counted bigint,
	chain bytea not null,
	origin bytea, -- what the first entry follows, where an adopted file had an earlier schema
	primary key (slot, machine)
) partition by hash (slot);
create table entries (
	slot integer not null,
	machine text collate "C" not null,
	epoch bigint not null,
	seq bigint not null,
	kind smallint not null,
	generation integer,
	id bytea not null,
	value bytea not null,
	primary key (slot, machine, epoch, seq)
) partition by hash (slot);
create index entries_id on entries (slot, id);
create index entries_order on entries (slot, epoch, seq);
create index entries_listed on entries (slot, kind, epoch, seq) where kind > 0;
create table counts (
	slot integer not null,
	machine text collate "C" not null,
	epoch bigint not null,
	seq bigint not null,
	generation integer not null,
	value bytea not null,
	primary key (slot, machine, epoch, seq, generation)
) partition by list (generation);
create table counts_1 partition of counts for values in (1);
insert into generations (generation) values (1);
create table cache (
	slot integer not null,
	name text collate "C" not null,
	value bytea not null,
	primary key (slot, name)
) partition by hash (slot);
create table decisions (
	slot integer primary key,
	state bytea not null,
	outcomes bigint not null default 0,
	items bigint not null default 0
);
create table outcomes (
	slot integer not null,
	n bigint not null,
	body bytea not null,
	primary key (slot, n)
);
create table outbox (
	slot integer not null,
	queue text collate "C" not null,
	n bigint not null,
	key text collate "C" not null,
	body bytea not null,
	primary key (slot, queue, n)
);
create table outbox_keys (
	slot integer not null,
	key text collate "C" not null,
	queue text collate "C" not null,
	n bigint not null,
	settled timestamptz,
	primary key (slot, key)
);
create index outbox_settled on outbox_keys (slot, settled) where settled is not null;

-- +goose StatementBegin
do $$
begin
	for i in 0..7 loop
		execute format('create table heads_%s partition of heads for values with (modulus 8, remainder %s) with (fillfactor = 70)', i, i);
		execute format('create table entries_%s partition of entries for values with (modulus 8, remainder %s)', i, i);
		execute format('create table cache_%s partition of cache for values with (modulus 8, remainder %s)', i, i);
	end loop;
end $$;
-- +goose StatementEnd

-- +goose Down
drop table meta, generations, people, counters, refusals, refusal_counts, cursors,
	slots, lease, heads, entries, counts, cache, decisions, outcomes, outbox, outbox_keys;
