"""Two recordings of one home, before and after a change: what stopped, what still works, what nobody tried."""
