package pgstore

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// signInPatience is how long a sign-in may take to read or write: every page waits for it.
const signInPatience = 2 * time.Second

// SignIn returns what is kept under the hash of a browser's token, and until when.
func (s *Store) SignIn(token string) (data []byte, ends time.Time, found bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), signInPatience)
	defer cancel()
	err = s.pool.QueryRow(ctx, `select data, ends from sign_ins where token = $1`, token).Scan(&data, &ends)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, ends, false, nil
	}
	return data, ends, err == nil, away(err)
}

// PutSignIn keeps something under the hash of a browser's token, and drops what has ended.
func (s *Store) PutSignIn(token string, data []byte, ends time.Time) error {
	ctx, cancel := context.WithTimeout(context.Background(), signInPatience)
	defer cancel()
	if _, err := s.pool.Exec(ctx, `delete from sign_ins where ends <= $1`, s.now()); err != nil {
		return away(err)
	}
	_, err := s.pool.Exec(ctx, `insert into sign_ins (token, data, ends) values ($1, $2, $3)
		on conflict (token) do update set data = excluded.data, ends = excluded.ends`, token, notNil(data), ends)
	return away(err)
}

// DropSignIn forgets what is kept under a token.
func (s *Store) DropSignIn(token string) error {
	ctx, cancel := context.WithTimeout(context.Background(), signInPatience)
	defer cancel()
	_, err := s.pool.Exec(ctx, `delete from sign_ins where token = $1`, token)
	return away(err)
}
