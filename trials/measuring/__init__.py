"""What is weighed and measured on a bake, with instruments or kitchen stand-ins."""
