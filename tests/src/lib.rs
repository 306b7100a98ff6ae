//! System tests.
