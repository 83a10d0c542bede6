"""The line: waveforms, drivers, receivers, and how senders wait for their turn."""
