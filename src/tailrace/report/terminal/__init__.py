"""How does it look in a terminal?"""
