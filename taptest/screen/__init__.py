"""A lot judged: skis of one kind against each other and against their predictions, with verdicts and reasons."""
