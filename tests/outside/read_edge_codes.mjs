// Reads film edge codes, or another kind, with an outside library: node read_edge_codes.mjs FOLDER [--format=QRCode] PICTURE.pgm... (8-bit, P5).
// FOLDER holds node_modules. One JSON list of texts a line, in the order of the pictures.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import { pathToFileURL } from "node:url";

const [folder, ...given] = process.argv.slice(2);
const format = given[0]?.startsWith("--format=") ? given.shift().slice(9) : "DXFilmEdge";
const pictures = given;
const require = createRequire(join(folder, "package.json"));
const entry = require.resolve("zxing-wasm/reader");
const { readBarcodes, prepareZXingModule } = await import(pathToFileURL(entry));
const library = join(folder, "node_modules", "zxing-wasm", "dist", "reader", "zxing_reader.wasm");
await prepareZXingModule({ overrides: { wasmBinary: readFileSync(library).buffer }, fireImmediately: true });

for (const name of pictures) {
  const file = readFileSync(name);
  const [head, width, height] = /^P5\s+(\d+)\s+(\d+)\s+255\s/.exec(file.subarray(0, 64).toString("latin1"));
  const grey = file.subarray(head.length);
  const data = new Uint8ClampedArray(width * height * 4).fill(255);
  for (let i = 0; i < width * height; ++i) data[4 * i] = data[4 * i + 1] = data[4 * i + 2] = grey[i];
  const found = await readBarcodes({ data, width: Number(width), height: Number(height), colorSpace: "srgb" },
    { formats: [format], tryHarder: true, tryRotate: true, maxNumberOfSymbols: 4 });
  console.log(JSON.stringify(found.map((f) => f.text)));
}
