"""An independent Modbus RTU slave, of python3-pymodbus: units 21 and 9 with known values, on the port given.

The values are written by hand from IEEE 754 and two's complement, not computed by what is under test.
"""
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartSerialServer
from pymodbus.transaction import ModbusRtuFramer


def block(at):
    """Registers from 0 on, those of at set. The library counts its blocks from 1 unless told otherwise (zero_mode)."""
    values = [0] * (max(at) + 4)
    for address, words in at.items():
        values[address:address + len(words)] = words
    return ModbusSequentialDataBlock(0, values)


slaves = {
    21: ModbusSlaveContext(
        zero_mode=True,
        ir=block({
            2578: [0x8000, 0x42CA],  # 101.25, low half first
            10: [0x42CA, 0x8000],    # 101.25, high half first
            20: [0xCA42, 0x0080],    # the same, bytes swapped
        }),
        hr=block({
            30: [0xFFFF, 0xD8F0],    # -10000, high half first
            40: [0x2710],            # 10000
        }),
        di=block({3: [1, 0, 1]}),
        co=block({7: [0, 1, 1]}),
    ),
    9: ModbusSlaveContext(zero_mode=True, ir=block({304: [16589, 0xFFF4]}), hr=block({0: [0]}), di=block({0: [0]}), co=block({0: [0]})),
}
print("listening", flush=True)
StartSerialServer(context=ModbusServerContext(slaves=slaves, single=False), framer=ModbusRtuFramer, port=sys.argv[1],
                  baudrate=19200, parity="N", stopbits=1, bytesize=8)  # with parity it does not open a pseudo-terminal
