"""One module an operator: it reads planes, calls physics, writes planes.

`registry` says which there are, with those that other packages offer; each module's first lines say what
it does to a
picture. What several of them share is in `halocline.operators.shared`.
"""
