"""Commands that change settings or addresses: address, set, claim, audit, apply."""
