"""The conformance harness: one suite of cases that any actuator of this format has to pass, as a pytest plug-in.

``pytest --dut TARGET`` runs it. A case cites the clauses of the format page that it checks (`clauses`). A case that a
target cannot show is *not checked*, with the reason, and never counts as passed. `dut` is the interface of the cases to
the actuator, `targets` makes one from a name, `side` is the side channel (times on the line, power cuts), `model` gives
the answers of a conforming actuator, `strategies` are for your own tests.
"""

from __future__ import annotations
