"""Which runs answer the question?"""
