"""The format page: rules, tables and vectors, printed from the definitions that the code runs on.

`rules` says what a clause is; `line_rules`, `discovery_rules`, `actuator_rules` and `host_rules` hold them by section;
`transitions` and `refusals` are the tables that the suite runs through row by row; `vectors` and `diagram` are
computed; `fields` puts messages into words; `data` gives all of it as data, `markdown` as the page.
"""

from busproto.wire.page.data import specification
from busproto.wire.page.markdown import markdown
from busproto.wire.page.vectors import examples

__all__ = ["examples", "markdown", "specification"]
