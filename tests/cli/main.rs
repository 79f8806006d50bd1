//! The program as a person runs it: the real binary, real files, exit status, output and talk. One module a command.

#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod bad_input;
mod compare;
mod demo;
mod devices;
mod hear;
mod help;
mod helper;
mod list;
mod look;
mod numbers;
mod odd;
mod pipe;
mod sample;
