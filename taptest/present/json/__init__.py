"""Results as the documents of ``--json``, from the fields of each result."""
