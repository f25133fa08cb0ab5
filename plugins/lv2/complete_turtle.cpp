// Completes the LV2 data files that JUCE writes beside a plug-in: units, helps, scale points with the right
// values, read only meters, names of ports, which ports are the side-chain, and the terms that JUCE uses
// without declaring them. Usage: kitfold_complete_turtle PLUGIN CHANNELS BUNDLE      (run by the build; exit
// 1 when the file is not as expected)
#include "common/layout.h"
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iostream>
#include <map>
#include <sstream>
#include <stdexcept>

namespace {

using namespace kitfold;
using plugins::Control, plugins::HostRange, plugins::Layout;
namespace fs = std::filesystem;

std::string read_file(const fs::path& path) {
    std::ifstream in(path, std::ios::binary);
    if (!in) throw std::runtime_error("cannot read " + path.string());
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

void write_file(const fs::path& path, const std::string& text) {
    const fs::path beside = path.string() + ".new";
    std::ofstream out(beside, std::ios::binary);
    if (!(out << text) || !out.flush()) throw std::runtime_error("cannot write " + beside.string());
    out.close();
    fs::rename(beside, path);
}

std::vector<std::string> paragraphs(const std::string& text) {
    std::vector<std::string> out;
    for (std::size_t at = 0; at < text.size();) {
        auto end = text.find("\n\n", at);
        if (end == std::string::npos) end = text.size();
        if (end > at) out.push_back(text.substr(at, end - at));
        at = std::min(text.size(), end + 2);
    }
    return out;
}

void replace_once(std::string& text, const std::string& from, const std::string& to) {
    const auto at = text.find(from);
    if (at == std::string::npos) throw std::runtime_error("'" + from + "' is not in dsp.ttl");
    text.replace(at, from.size(), to);
}

/// A decimal in Turtle always has a point.
std::string decimal(double value) {
    char text[40];
    std::snprintf(text, sizeof text, "%.9g", value);
    std::string out = text;
    return out.find_first_of(".e") == std::string::npos ? out + ".0" : out;
}

std::string in_quotes(std::string_view text) {
    std::string out = "\"";
    for (const char c : text) {
        if (c == '"' || c == '\\') out += '\\';
        out += c;
    }
    return out + '"';
}

std::string unit(std::string_view symbol) {
    const std::map<std::string_view, std::string> known{
        {"Hz", "units:hz"}, {"dB", "units:db"}, {"ms", "units:ms"}, {"", ""}};
    if (const auto found = known.find(symbol); found != known.end()) return found->second;
    return "[\n\t\ta units:Unit ;\n\t\trdfs:label " + in_quotes(symbol) + " ;\n\t\tunits:symbol " +
           in_quotes(symbol) + " ;\n\t\tunits:render " + in_quotes("%f " + std::string(symbol)) + "\n\t]";
}

void add_point(std::string& out, std::string_view label, double value) {
    out += (out.empty() ? "[" : " , [");
    out += "\n\t\trdfs:label " + in_quotes(label) + " ;\n\t\trdf:value " + decimal(value) + "\n\t]";
}

std::string scale_points(const dsp::Parameter& p) {
    const HostRange range(p);
    std::string out;
    for (const auto& choice : p.choices) add_point(out, choice.label, choice.value);
    if (p.scale == dsp::Scale::on_off) add_point(out, "off", 0.0), add_point(out, "on", 1.0);
    if (p.special.end != dsp::Special::End::none)
        add_point(out, p.special.label, range.from_setting(p.special.value));
    return out;
}

std::string properties(const dsp::Parameter& p) {
    if (p.scale == dsp::Scale::on_off) return "\tlv2:portProperty lv2:toggled , lv2:enumeration ;\n";
    return p.scale == dsp::Scale::choice ? "\tlv2:portProperty lv2:enumeration ;\n" : "";
}

/// Groups and properties belong to ports by the specification and to parameters by custom: so a parameter is
/// declared as port-like, with the symbol and the name that this asks for.
std::string parameter(const Control& control, const std::string& former) {
    const auto& p = *control.parameter;
    const HostRange range(p);
    std::string out = "plug:" + control.id + "\n\ta lv2:Parameter , lv2:Port ;\n\tlv2:symbol " +
                      in_quotes(control.id) + " ;\n\tlv2:name " + in_quotes(control.name) +
                      " ;\n\trdfs:label " + in_quotes(control.name) + " ;\n\trdfs:comment " +
                      in_quotes(p.help) + " ;\n" + properties(p);
    if (const auto group = former.find("\tpg:group"); group != std::string::npos)
        out += former.substr(group, former.find('\n', group) - group + 1);
    out += "\trdfs:range atom:Float ;\n\tlv2:default " + decimal(range.from_setting(p.fallback)) +
           " ;\n\tlv2:minimum " + decimal(range.start) + " ;\n\tlv2:maximum " + decimal(range.end);
    if (const auto u = unit(p.scale == dsp::Scale::choice ? "" : p.unit); !u.empty())
        out += " ;\n\tunits:unit " + u;
    if (const auto points = scale_points(p); !points.empty()) out += " ;\n\tlv2:scalePoint " + points;
    return out + " .";
}

void name_ports(std::string& text, const std::vector<std::string>& names, const std::string& former) {
    for (std::size_t i = 0; i < names.size(); ++i)
        replace_once(text, in_quotes(former + std::to_string(i + 1)), in_quotes(names[i]));
}

void complete_plugin(std::string& text, const Layout& layout) {
    replace_once(text, "\ta lv2:Plugin ;",
                 "\ta lv2:Plugin , lv2:" + std::string(layout.lv2_class) +
                     " , doap:Project ;\n\tdoap:license <https://www.gnu.org/licenses/gpl-3.0.html> ;");
    name_ports(text, layout.inputs, "Audio In ");
    name_ports(text, layout.outputs, "Audio Out ");
    const auto writable = text.find("\tpatch:writable"), readable = text.find("\tpatch:readable");
    if (writable == std::string::npos || readable == std::string::npos)
        throw std::runtime_error("no lists of parameters in dsp.ttl");
    std::string list;
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls)
            list += (list.empty() ? "\n\t\tplug:" : " ,\n\t\tplug:") + control.id;
    text.replace(writable, readable - writable, "\tpatch:writable" + list + " ;\n");
}

std::string completed(const std::string& dsp_ttl, const Layout& layout) {
    std::map<std::string, const Control*> controls;
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) controls["plug:" + control.id + "\n"] = &control;
    for (const auto& meter : layout.meters) controls["plug:" + meter.id + "\n"] = &meter;
    const auto side_chain = "plug:input_group_" + std::to_string(layout.side_chain_bus) + "\n";
    std::size_t found = 0, plugins = 0;
    std::string out;
    for (auto part : paragraphs(dsp_ttl)) {
        const auto subject = part.substr(0, part.find('\n') + 1);
        if (const auto control = controls.find(subject); control != controls.end())
            part = parameter(*control->second, part), ++found;
        else if (subject.starts_with("<") && part.find("\ta lv2:Plugin ;") != std::string::npos)
            complete_plugin(part, layout), ++plugins;
        else if (layout.side_chain_bus > 0 && subject == side_chain)
            replace_once(part, "\ta pg:InputGroup ;",
                         "\ta pg:InputGroup ;\n\tpg:sideChainOf plug:input_group_1 ;");
        out += part + "\n\n";
    }
    if (found != controls.size() || plugins != 1)
        throw std::runtime_error("dsp.ttl does not list what the plug-in has");
    return out + "plug:Program\n\ta rdf:Property ;\n\trdfs:label \"program\" ;\n"
                 "\trdfs:comment \"Number of the factory preset\" ;\n\trdfs:range xsd:int .\n\n"
                 "plug:StateString\n\ta rdf:Property ;\n\trdfs:label \"state\" ;\n"
                 "\trdfs:comment \"All settings, base64 of JSON\" ;\n\trdfs:range xsd:string .\n";
}

} // namespace

int main(int argc, char** argv) try {
    if (argc != 4) throw std::runtime_error("three arguments: PLUGIN CHANNELS BUNDLE");
    const auto layout = plugins::layout_of(argv[1], std::string_view(argv[2]) == "1" ? 1 : 2);
    const fs::path file = fs::path(argv[3]) / "dsp.ttl";
    write_file(file, completed(read_file(file), layout));
    return 0;
} catch (const std::exception& error) {
    std::cerr << "kitfold_complete_turtle: " << error.what() << '\n';
    return 1;
}
