"""What a user may set, and every figure by which the program judges: `settings` and `limits`."""
