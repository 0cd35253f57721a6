"""The logbook: everything measured, in SQLite on one machine or in PostgreSQL for several; `book.open_logbook` opens it.

One idea, and so one room of more than 3,000 lines: everything here works on the tables of `schema`, which nobody else knows.
"""
