// The portable tests under MicroPython in WebAssembly: words of 32 bits, small integers of 31.
//
//     node portable32.mjs INTERPRETER FOLDER NAME ...
//
// INTERPRETER is the module of the npm package, FOLDER holds `controller`, `tests` and
// `transitions`.  Each file of tests is one call into the interpreter, because its collector runs
// only between two of them; until then its heap grows.  Exit status 1 if a test fails.

import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const HEAP_BYTES = 4 << 20; // at first
const [interpreter, folder, ...names] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(interpreter));
const told = (line) => console.log(line);
const micropython = await loadMicroPython({ heapsize: HEAP_BYTES, stdout: told, stderr: told });

function lay(from, to) {
  micropython.FS.mkdir(to);
  for (const entry of fs.readdirSync(from, { withFileTypes: true })) {
    const [here, there] = [path.join(from, entry.name), `${to}/${entry.name}`];
    if (entry.isDirectory()) lay(here, there);
    else micropython.FS.writeFile(there, fs.readFileSync(here));
  }
}

lay(folder, "/app");
micropython.runPython(`
import sys
sys.path.insert(0, "/app")
from controller.shims.install import install
install("/app")
from tests.portable import run
print("MicroPython %d.%d.%d, words of 32 bits" % sys.implementation.version[:3])
passed = failed = 0
`);
for (const name of names) {
  micropython.runPython(`
good, bad = run.run_file("${name}")
passed += good
failed += bad
`);
  micropython.runPython("import gc; gc.collect()");
}
const [passed, failed] = ["passed", "failed"].map((name) => micropython.globals.get(name));
console.log(`${passed} passed, ${failed} failed`);
process.exit(passed && !failed ? 0 : 1);
