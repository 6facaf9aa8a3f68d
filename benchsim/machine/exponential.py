"""The matrix exponential of a small real matrix, by scaling, Taylor and squaring.

Plain additions and multiplications in a fixed order: the same bits in every process and on every computer. Method: N. J.
Higham, Functions of Matrices, 2008, chapter 10; accuracy is tested against another library.
"""

Matrix = tuple[tuple[float, ...], ...]
_SMALL = 0.25  # norm at which the series is taken
_TERMS = 12  # 0.25^13 / 13! is below 1e-17


def product(left: Matrix, right: Matrix) -> Matrix:
    """left x right."""
    columns = tuple(zip(*right, strict=True))
    return tuple(tuple(sum(a * b for a, b in zip(row, column, strict=True)) for column in columns) for row in left)


def exponential(matrix: Matrix) -> Matrix:
    """e to the power of a square matrix."""
    halvings = 0
    while max(sum(map(abs, row)) for row in matrix) > _SMALL * 2**halvings:
        halvings += 1
    size = range(len(matrix))
    small = tuple(tuple(value / 2**halvings for value in row) for row in matrix)
    total = power = tuple(tuple(float(i == j) for j in size) for i in size)
    for n in range(1, _TERMS + 1):
        power = tuple(tuple(value / n for value in row) for row in product(power, small))
        total = tuple(tuple(a + b for a, b in zip(*rows, strict=True)) for rows in zip(total, power, strict=True))
    for _ in range(halvings):
        total = product(total, total)
    return total
