"""From a served chain to a root: what one kind of client makes of it."""
