//! Use cases: authorise, open the transaction, call the cores, record and enqueue.
