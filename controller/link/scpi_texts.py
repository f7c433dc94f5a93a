"""The texts of SCPI-1999 errors, volume 2, 21.8, letter for letter: hosts compare them.

Nothing but data: it is borrowed (`controller.borrow`) when an error is read.  Only the numbers that
this firmware raises have a row; any other falls back on the text of its class.
"""

TEXTS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -128: "Numeric data not allowed",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -300: "Device specific error",
    -320: "Storage fault",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -400: "Query error",
    -430: "Query DEADLOCKED",
}
