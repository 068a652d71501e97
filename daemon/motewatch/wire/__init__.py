"""What travels: messages in and out, their decoders, JSON Schema and AsyncAPI.

`records` holds the frozen core records; `messages` the pydantic models of the wire (`incoming`, `outgoing`); `decode`
converts by hand, and `wording` says why it refuses; `schemas` and `asyncapi` are the contract on paper.
"""
