"""The card of an airframe: what is known of it, on paper."""
