"""Tables of any kind, csv or xlsx: read by a schema of their columns, and a csv lot edited in place."""
