"""Results for a terminal: tables, pictures of characters, the live view.

More than 3,000 lines, as every command has a view of its own here; what they share stands in `tables` and `characters`.
"""
