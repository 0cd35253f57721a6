"""What everything rests on: errors, messages, units, fields of results, durable files, processes."""
