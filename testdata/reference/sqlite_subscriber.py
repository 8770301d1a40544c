#!/usr/bin/env python3
"""What a subscriber written in an afternoon does: one line a message on standard
input, each kept in SQLite with a commit of its own. The journal is SQLite's
write-ahead log with full synchronisation, its quickest durable setting.

    mosquitto_sub -q 1 -t 'arcdrift/v1/+/usage' | python3 sqlite_subscriber.py records.db
"""
import sqlite3
import sys

db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA journal_mode=WAL")
db.execute("PRAGMA synchronous=FULL")
db.execute("CREATE TABLE IF NOT EXISTS records (n INTEGER PRIMARY KEY, body TEXT)")
for line in sys.stdin:
    db.execute("INSERT INTO records (body) VALUES (?)", (line,))
    print(db.execute("SELECT max(n) FROM records").fetchone()[0], flush=True)
