"""x"""


def main():
    pass
