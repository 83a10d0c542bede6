"""Work on a whole airframe: audit, claim, apply, record, restore, replace."""
