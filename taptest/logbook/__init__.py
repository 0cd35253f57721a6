"""The logbook: everything measured, in SQLite on one machine or in PostgreSQL for several; `book.open_logbook` opens it."""
