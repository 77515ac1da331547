"""The SQLite logbook: tables, migrations, recording, queries."""
