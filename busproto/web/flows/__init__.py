"""The guided tasks of the page, over `busproto.ops` and `busproto.plan`; `table` names them all."""
