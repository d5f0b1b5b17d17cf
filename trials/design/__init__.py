"""Which bakes: the families of plans and what each can tell."""
