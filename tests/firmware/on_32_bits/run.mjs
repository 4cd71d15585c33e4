// Runs a script in MicroPython's WebAssembly build, whose words have 32 bits like the board's.
// node run.mjs PACKAGE_FOLDER LIB_FOLDER SCRIPT
import fs from "fs";
import path from "path";
import { pathToFileURL } from "url";

const [packageFolder, lib, script] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(path.join(packageFolder, "micropython.mjs")));
const mp = await loadMicroPython({ heapsize: 1 << 20, stdout: (line) => console.log(line) });

function copy(from, to) {
  mp.FS.mkdir(to);
  for (const name of fs.readdirSync(from)) {
    const source = path.join(from, name);
    if (fs.statSync(source).isDirectory()) copy(source, `${to}/${name}`);
    else mp.FS.writeFile(`${to}/${name}`, fs.readFileSync(source));
  }
}

copy(lib, "/lib");
try {
  // this port collects garbage only between calls: one call for each section
  for (const section of fs.readFileSync(script, "utf8").split("\n# ----\n")) {
    mp.runPython(section + "\nimport gc\ngc.collect()\n");
  }
} catch (error) {
  console.log(String(error.message ?? error).slice(0, 3000));
  process.exit(1);
}
