"""Find out why a dental mill's result is bad: the diagnosis engine and its console.

Public API (no console needed)::

    from advisor import knowledge, Session          # the shipped knowledge
    from advisor.belief import Network              # or a model from plain tables

Data flows one way: knowledge -> model -> rules, graph, likelihoods -> session -> console or log.
"""

__version__ = "0.1.0"
