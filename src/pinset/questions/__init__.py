"""One file per question a grower asks: read the ledger, call the science, return an Answer."""
