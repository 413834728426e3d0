// Reads a workbook with read-excel-file, which knows nothing of who wrote it, and writes
// its sheets as JSON: each cell with its type (number, date, string or null).
import readWorkbook from "read-excel-file/node";

const cell = (value) => {
  if (value === null || value === undefined) return { type: "null" };
  if (value instanceof Date) return { type: "date", text: value.toISOString() };
  if (typeof value === "number") return { type: "number", number: value };
  return { type: typeof value, text: String(value) };
};

const sheets = await readWorkbook(process.argv[2], { trim: false });
console.log(JSON.stringify(sheets.map(({ sheet, data }) => ({ name: sheet, rows: data.map((row) => row.map(cell)) }))));
