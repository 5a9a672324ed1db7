"""What contradicts itself between tables?"""
