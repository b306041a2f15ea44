"""Two recordings of one home, before and after a change: what stopped, what works, what nobody tried."""
