"""A roll-out before it begins: each step of it judged as if it were there, what changes for whom,
and which other way would spare somebody something. Pure."""
