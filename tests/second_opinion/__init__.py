"""A second opinion on the whole chain: from the raw exports to verdicts, uncertainties and look-back, without the product.

Written from the definitions (README, the standards named beside each formula), never from the code, with the standard library,
NumPy and SciPy alone. `opinion.form` gives everything in the words of the product's documents, `compare` sets both side by side.
"""
