"""One ski: the facts that are known of it, and the record that grows from them stage by stage."""
