"""The clock of an actuator under test, and hours without a request."""
