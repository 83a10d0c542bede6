"""Cases of discovery: calls, lists, epochs, and what ends an answer that waits."""
