"""A Modbus device for tests, made of pymodbus: an implementation that shares nothing with ours.

Reads JSON lines from standard input and answers each with one JSON line:
  {"do": "put", "unit": 1, "table": "input_register", "address": 0, "type": "int16", "value": -12}
  {"do": "serve", "kind": "tcp" | "rtu_over_tcp", "port": 0} or {"do": "serve", "kind": "serial", "device": "/dev/pts/3"}
  {"do": "stop"}: closes the server and its connections, so that it can be served anew on the same port.
Registers that were never put do not exist: asking for them is answered with exception 2.
"""
import asyncio
import json
import sys

from pymodbus.constants import Endian
from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

ADD = {
    "int16": "add_16bit_int",
    "uint16": "add_16bit_uint",
    "int32": "add_32bit_int",
    "uint32": "add_32bit_uint",
    "int64": "add_64bit_int",
    "uint64": "add_64bit_uint",
    "float32": "add_32bit_float",
    "float64": "add_64bit_float",
}
units = {}


class Block(ModbusSparseDataBlock):
    """Starts empty, which the original does not allow for."""

    def __init__(self):
        self.values = {}
        self.default_value = {}
        self.address = 0


def unit(address):
    if address not in units:
        blocks = {name: Block() for name in ("di", "co", "hr", "ir")}
        context = ModbusSlaveContext(zero_mode=True, **blocks)
        units[address] = (context, blocks)
    return units[address]


def put(row):
    _, blocks = unit(row["unit"])
    if row["table"] in ("coil", "discrete_input"):
        blocks["co" if row["table"] == "coil" else "di"].values[row["address"]] = bool(row["value"])
        return
    low = row.get("words") == "low_first"
    builder = BinaryPayloadBuilder(byteorder=Endian.Big, wordorder=Endian.Little if low else Endian.Big)
    getattr(builder, ADD[row["type"]])(float("nan") if row["value"] is None else row["value"])
    block = blocks["hr" if row["table"] == "holding_register" else "ir"]
    for index, register in enumerate(builder.to_registers()):
        block.values[row["address"] + index] = register


async def serve(row):
    context = ModbusServerContext(slaves={address: each[0] for address, each in units.items()}, single=False)
    if row["kind"] == "serial":
        server = ModbusSerialServer(context, framer=ModbusRtuFramer, port=row["device"], baudrate=19200, ignore_missing_slaves=True)
        await server.start()
        asyncio.ensure_future(server.serve_forever())
        return server, 0
    framer = ModbusRtuFramer if row["kind"] == "rtu_over_tcp" else ModbusSocketFramer
    server = ModbusTcpServer(
        context, framer=framer, address=("127.0.0.1", row.get("port", 0)), allow_reuse_address=True, ignore_missing_slaves=True
    )
    asyncio.ensure_future(server.serve_forever())
    await server.serving
    return server, server.server.sockets[0].getsockname()[1]


async def main():
    loop = asyncio.get_event_loop()
    server = None
    while True:
        line = await loop.run_in_executor(None, sys.stdin.readline)
        if line == "":
            return
        answer = {}
        for row in json.loads(line):
            if row["do"] == "put":
                put(row)
            elif row["do"] == "serve":
                server, answer["port"] = await serve(row)
            elif row["do"] == "stop":
                server.server.close()
                for handler in list(server.active_connections.values()):
                    handler.transport.close()
        print(json.dumps(answer), flush=True)


asyncio.run(main())
