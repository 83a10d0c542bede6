"""The conformance harness: one suite of cases that any actuator of this format has to pass, as a pytest plug-in.

``pytest --dut TARGET`` runs it. A case cites the clauses of the format page that it checks (`clauses`); what a target
cannot show is *not checked*, with the reason, and never counts as passed. `dut` is what the cases talk to, `targets`
makes one of a name, `side` is what there is beside the bus (moments on the line, power cuts), `model` says what a good
actuator answers, `strategies` are for tests of one's own.
"""

from __future__ import annotations
