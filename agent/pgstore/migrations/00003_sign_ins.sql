-- +goose Up

-- A small table, as in 00001.
create table sign_ins (
	token text collate "C" primary key, -- a hash of it
	data bytea not null,
	ends timestamptz not null
);
create index sign_ins_ends on sign_ins (ends);

-- +goose Down
drop table sign_ins;
