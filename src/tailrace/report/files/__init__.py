"""What is written to files?"""
