#include "proof/xmp.h"

#include <cstdio>

namespace lapwright::proof {
namespace {

/// A text as XML holds it; bytes that XML cannot hold, or that are no UTF-8, become U+FFFD.
std::string escaped(const std::string& text) {
  std::string out;
  for (std::size_t i = 0; i < text.size();) {
    const auto lead = static_cast<unsigned char>(text[i]);
    const std::size_t n = lead < 0x80                   ? 1
                          : lead >= 0xc2 && lead < 0xe0 ? 2
                          : lead >= 0xe0 && lead < 0xf0 ? 3
                          : lead >= 0xf0 && lead < 0xf5 ? 4
                                                        : 0;
    bool whole = n > 0 && i + n <= text.size();
    for (std::size_t k = 1; whole && k < n; ++k)
      whole = (static_cast<unsigned char>(text[i + k]) & 0xc0) == 0x80;
    std::uint32_t code = n == 1 ? lead : lead & (0xffU >> (n + 1));
    for (std::size_t k = 1; whole && k < n; ++k)
      code = code << 6 | (static_cast<unsigned char>(text[i + k]) & 0x3f);
    // Too long a form, half of a pair, no character (XML 1.0, section 2.2).
    static constexpr std::uint32_t least[5] = {0, 0, 0x80, 0x800, 0x10000};
    whole = whole && code >= least[n] && code <= 0x10ffff && (code < 0xd800 || code > 0xdfff) &&
            code != 0xfffe && code != 0xffff &&
            (code >= 0x20 || code == '\t' || code == '\n' || code == '\r');
    if (!whole)
      out += "\xef\xbf\xbd";
    else if (code == '&')
      out += "&amp;";
    else if (code == '<')
      out += "&lt;";
    else if (code == '>')
      out += "&gt;";
    else
      out += text.substr(i, n);
    i += whole ? n : 1;
  }
  return out;
}

std::string element(const std::string& name, const std::string& text) {
  return text.empty() ? "" : "   <" + name + ">" + escaped(text) + "</" + name + ">\n";
}
std::string alternatives(const std::string& name, const std::string& text) {
  if (text.empty()) return "";
  return "   <" + name + "><rdf:Alt><rdf:li xml:lang=\"x-default\">" + escaped(text) +
         "</rdf:li></rdf:Alt></" + name + ">\n";
}

std::string share(double v) {
  char text[32];
  std::snprintf(text, sizeof text, "%.5f", v);
  return text;
}

std::string regions(const std::vector<Region>& frames) {
  if (frames.empty()) return "";
  std::string out = "   <Iptc4xmpExt:ImageRegion><rdf:Bag>\n";
  for (const Region& f : frames) {
    out += "    <rdf:li rdf:parseType=\"Resource\"><Iptc4xmpExt:rId>frame-" + escaped(f.name) +
           "</Iptc4xmpExt:rId><Iptc4xmpExt:Name><rdf:Alt><rdf:li xml:lang=\"x-default\">" +
           escaped(f.name) +
           "</rdf:li></rdf:Alt></Iptc4xmpExt:Name>"
           "<Iptc4xmpExt:RegionBoundary rdf:parseType=\"Resource\">"
           "<Iptc4xmpExt:rbShape>polygon</Iptc4xmpExt:rbShape>"
           "<Iptc4xmpExt:rbUnit>relative</Iptc4xmpExt:rbUnit><Iptc4xmpExt:rbVertices><rdf:Seq>";
    for (const auto& c : f.corners)
      out += "<rdf:li rdf:parseType=\"Resource\"><Iptc4xmpExt:rbX>" + share(c[0]) +
             "</Iptc4xmpExt:rbX><Iptc4xmpExt:rbY>" + share(c[1]) + "</Iptc4xmpExt:rbY></rdf:li>";
    out += "</rdf:Seq></Iptc4xmpExt:rbVertices></Iptc4xmpExt:RegionBoundary>";
    if (!f.verdict.empty()) out += "<dc:subject><rdf:Bag><rdf:li>" + escaped(f.verdict) + "</rdf:li></rdf:Bag></dc:subject>";
    if (!f.note.empty())
      out += "<dc:description><rdf:Alt><rdf:li xml:lang=\"x-default\">" + escaped(f.note) + "</rdf:li></rdf:Alt></dc:description>";
    out += "</rdf:li>\n";
  }
  return out + "   </rdf:Bag></Iptc4xmpExt:ImageRegion>\n";
}

}  // namespace

std::string xmp_packet(const About& about, const std::string& format, bool for_print) {
  std::string out =
      "<?xpacket begin=\"\xef\xbb\xbf\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"
      "<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n"
      "  <rdf:Description rdf:about=\"\"\n"
      "    xmlns:dc=\"http://purl.org/dc/elements/1.1/\"\n";
  if (for_print) out += "    xmlns:pdfaid=\"http://www.aiim.org/pdfa/ns/id/\"\n";
  if (!about.frames.empty())
    out += "    xmlns:Iptc4xmpExt=\"http://iptc.org/std/Iptc4xmpExt/2008-02-29/\"\n";
  out.back() = '>';
  out += "\n";
  if (for_print) out += element("pdfaid:part", "2") + element("pdfaid:conformance", "B");
  out += element("dc:format", format) + element("dc:identifier", about.identifier) +
         alternatives("dc:title", about.title) + alternatives("dc:description", about.description);
  if (!about.created.empty())
    out += "   <dc:date><rdf:Seq><rdf:li>" + escaped(about.created) +
           "</rdf:li></rdf:Seq></dc:date>\n";
  if (!about.sheet.empty()) out += element("dc:source", "sha256:" + about.sheet);
  out += regions(about.frames);
  return out + "  </rdf:Description>\n</rdf:RDF>\n<?xpacket end=\"r\"?>";
}

}  // namespace lapwright::proof
