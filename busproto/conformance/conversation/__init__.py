"""A random conversation with the actuator under test, beside the simulator's actuator as the model: every reply is
compared, and a difference is shrunk to a short transcript.

`steps` is what happens, `draw` and its mixes draw it, `model` is the simulator's actuator on a line of its own,
`device` the actuator under test, `judge` compares both, `talk` runs one conversation, `shrink` shortens it, `tally`
counts what was reached.
"""
