"""Commands about what is kept: save, compare, card, restore, replace."""
