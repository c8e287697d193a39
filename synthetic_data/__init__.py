"""An invented fleet with known truth, written as ordinary export files.

Everything in it is invented: the valley, its people, the model codes, and above all the strength with which a step that
was not done raises a failure's rate. No published hazard ratio links the two.
"""
