"""The simulated parties. Each says in its docstring what it does not model."""
