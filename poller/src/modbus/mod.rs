//! The guarded Modbus client: reads only, never trusts a reply.
