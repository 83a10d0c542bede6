"""Code for other tools, made from the definitions of the format: C, a dissector in Lua, a decoder in Python.

Code that does not depend on the definitions is kept in `texts/`, in its own language. A line there that is only a
comment with a name between @ signs is replaced by generated code. `reference` runs construct itself, to test the codec.
"""
