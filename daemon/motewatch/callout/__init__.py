"""Who is told, when, and until when: rotas and escalation. Pure."""
