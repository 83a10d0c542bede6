"""Whether the suite says of healthy actuators that they are healthy, however often it is asked."""
