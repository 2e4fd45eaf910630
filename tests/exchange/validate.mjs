// validate.mjs FILE...: what the Khronos glTF validator says of each file, as JSON on stdout.
import { readFile } from 'node:fs/promises';
import validator from 'gltf-validator';

const reports = [];
for (const file of process.argv.slice(2)) {
  const report = await validator.validateBytes(new Uint8Array(await readFile(file)), { maxIssues: 0 });
  reports.push(report.issues);
}
console.log(JSON.stringify(reports));
