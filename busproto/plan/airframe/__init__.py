"""What is done to a whole airframe: audit, claim, apply, record, restore, replace."""
