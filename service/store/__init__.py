"""Tables and queries of the record, on SQLite and PostgreSQL; the only part that speaks SQL."""
