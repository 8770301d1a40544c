-- +goose Up

-- A value in the cache has the version of its slot at which it was published last.
alter table lease add column version bigint not null default 0;
alter table cache add column version bigint not null default 0;
create index cache_version on cache (slot, version);

-- Small tables, as in 00001.
create table processes (
	name text collate "C" primary key,
	until timestamptz not null,
	note bytea not null
);
create table documents (
	name text collate "C" primary key,
	version bigint not null,
	body bytea not null
);

-- +goose Down
drop table processes, documents;
drop index cache_version;
alter table cache drop column version;
alter table lease drop column version;
