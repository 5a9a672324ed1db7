"""What do closed forms say of a scenario, before any run?"""
