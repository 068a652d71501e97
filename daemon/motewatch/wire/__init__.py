"""What travels: messages in and out, their decoders, JSON Schema and AsyncAPI.

`records` holds the frozen core records; `messages` the pydantic models of the wire; `decode` converts by hand.
"""
