"""The shipped suite: ``pytest --pyargs busproto.conformance.suite --dut TARGET``."""
