"""The random conversations: their own tests, and how many seeded faults they find."""
