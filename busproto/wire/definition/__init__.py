"""How a message is written down once, in construct, and turned into code that packs and reads it."""
