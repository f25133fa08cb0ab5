#include "offline/commands/manual.h"
#include <CLI/CLI.hpp>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

using Commands = std::vector<const CLI::App*>;
using Options = std::vector<const CLI::Option*>;

Commands commands_of(const CLI::App& app) {
    return app.get_subcommands([](const CLI::App*) { return true; });
}

Options options_of(const CLI::App& app) {
    return app.get_options([](const CLI::Option*) { return true; });
}

/// "-o", "--output"; none for what is told by its place.
std::vector<std::string> dashed_names(const CLI::Option& option) {
    std::vector<std::string> out;
    for (const auto& name : option.get_snames()) out.push_back("-" + name);
    for (const auto& name : option.get_lnames()) out.push_back("--" + name);
    return out;
}

bool takes_value(const CLI::Option& option) { return option.get_items_expected_max() > 0; }

/// The words that may be given, where there are a few.
std::vector<std::string> choices_of(const CLI::Option& option) {
    const auto type = option.get_type_name();
    const auto begin = type.find('{'), end = type.find('}');
    if (begin == std::string::npos || end == std::string::npos) return {};
    return CLI::detail::split(type.substr(begin + 1, end - begin - 1), ',');
}

std::string replaced(std::string text, const std::string& what, const std::string& by) {
    for (std::size_t at = 0; (at = text.find(what, at)) != std::string::npos; at += by.size())
        text.replace(at, what.size(), by);
    return text;
}

std::string joined(const std::vector<std::string>& words, const std::string& between) {
    return CLI::detail::join(words, between);
}

// ---- man
// ---------------------------------------------------------------------------------------------------

/// Text of a person for roff: a line never begins as a request, and a minus stays one that can be pasted.
std::string roff(const std::string& text) {
    std::string out = replaced(replaced(text, "\\", "\\e"), "-", "\\-");
    out = replaced(replaced("\n" + out, "\n.", "\n\\&."), "\n'", "\n\\&'");
    return out.substr(1);
}

std::string bold(const std::string& text) { return "\\fB" + roff(text) + "\\fR"; }
std::string slanted(const std::string& text) { return "\\fI" + roff(text) + "\\fR"; }

std::string option_entry(const CLI::Option& option) {
    const auto names = dashed_names(option);
    std::vector<std::string> shown;
    for (const auto& name : names) shown.push_back(bold(name));
    auto out = ".TP\n" + (names.empty() ? slanted(option.get_name(true)) : joined(shown, ", "));
    if (!names.empty() && takes_value(option)) out += " " + slanted(option.get_type_name());
    if (!option.get_default_str().empty()) out += roff(" (" + option.get_default_str() + ")");
    return out + "\n" + roff(option.get_description()) + "\n";
}

std::string options_section(const CLI::App& app) {
    std::string out;
    for (const auto* option : options_of(app)) out += option_entry(*option);
    return out;
}

std::string synopsis(const CLI::App& app, const std::string& name) {
    auto out = bold(name) + " [" + slanted("OPTIONS") + "]";
    for (const auto* option : options_of(app))
        if (dashed_names(*option).empty())
            out += " " + (option->get_required() ? slanted(option->get_name(true))
                                                 : "[" + slanted(option->get_name(true)) + "]");
    if (!commands_of(app).empty()) out += " " + slanted("COMMAND");
    return out + "\n";
}

std::string lower_first(std::string text) {
    if (!text.empty() && text[0] >= 'A' && text[0] <= 'Z') text[0] = static_cast<char>(text[0] - 'A' + 'a');
    return text;
}

/// @param name "kitfold check"
std::string page(const CLI::App& app, const std::string& name, const std::string& see_also) {
    const auto file_name = replaced(name, " ", "-");
    auto out =
        fmt::format(".TH \"{}\" 1 \"\" \"Kitfold {}\" \"Kitfold\"\n", roff(file_name), KITFOLD_VERSION);
    out += ".SH NAME\n" + roff(file_name + " - " + lower_first(app.get_description())) + "\n";
    out += ".SH SYNOPSIS\n" + synopsis(app, name);
    out += ".SH OPTIONS\n" + options_section(app);
    if (const auto commands = commands_of(app); !commands.empty()) {
        out += ".SH COMMANDS\n";
        for (const auto* command : commands) {
            out += ".TP\n" + bold(name + " " + command->get_name()) + "\n" +
                   roff(command->get_description()) + "\n";
            if (name != "kitfold") out += ".RS\n" + options_section(*command) + ".RE\n";
        }
    }
    if (!app.get_footer().empty()) out += ".SH NOTES\n.nf\n" + roff(app.get_footer()) + "\n.fi\n";
    return out +
           ".SH EXIT STATUS\n"
           "0 done; 1 check found something to fix; 2 something in the command, the session or the audio is "
           "not\n"
           "right, and one line says what; 3 the disk said no.\n"
           ".SH SEE ALSO\n" +
           see_also + "\n";
}

// ---- Completions
// -------------------------------------------------------------------------------------------

std::vector<std::string> all_dashed(const CLI::App& app) {
    std::vector<std::string> out;
    for (const auto* option : options_of(app))
        for (const auto& name : dashed_names(*option)) out.push_back(name);
    return out;
}

std::vector<std::string> names_of(const Commands& commands) {
    std::vector<std::string> out;
    for (const auto* command : commands) out.push_back(command->get_name());
    return out;
}

std::string bash(const CLI::App& program) {
    std::string values, words;
    for (const auto* command : commands_of(program)) {
        const auto name = command->get_name();
        for (const auto* option : options_of(*command)) {
            if (!takes_value(*option)) continue;
            std::vector<std::string> patterns;
            for (const auto& dashed : dashed_names(*option))
                patterns.push_back(fmt::format("{}:{}", name, dashed));
            if (patterns.empty()) continue;
            values += fmt::format("    {}) words=\"{}\" value=1 ;;\n", joined(patterns, "|"),
                                  joined(choices_of(*option), " "));
        }
        const auto options = joined(all_dashed(*command), " "),
                   below = joined(names_of(commands_of(*command)), " ");
        words += fmt::format("        {}:-*) words=\"{}\" ;;\n", name, options);
        if (!below.empty()) words += fmt::format("        {}:*) words=\"{}\" ;;\n", name, below);
    }
    return fmt::format(
        "# bash completion of kitfold, made from its own options; files where nothing else fits\n"
        "_kitfold() {{\n"
        "    local current=${{COMP_WORDS[COMP_CWORD]}} words=\"\" value=\"\"\n"
        "    COMPREPLY=()\n"
        "    if ((COMP_CWORD == 1)); then\n"
        "        COMPREPLY=($(compgen -W \"{}\" -- \"$current\"))\n"
        "        return\n"
        "    fi\n"
        "    case \"${{COMP_WORDS[1]}}:${{COMP_WORDS[COMP_CWORD - 1]}}\" in\n"
        "{}"
        "    esac\n"
        "    if [[ -z $value ]]; then\n"
        "        case \"${{COMP_WORDS[1]}}:$current\" in\n"
        "{}"
        "        esac\n"
        "    fi\n"
        "    COMPREPLY=($(compgen -W \"$words\" -- \"$current\"))\n"
        "}}\n"
        "complete -o default -F _kitfold kitfold\n",
        joined(names_of(commands_of(program)), " ") + " " + joined(all_dashed(program), " "), values, words);
}

/// Inside single quotes of a shell.
std::string in_quotes(const std::string& text) { return replaced(text, "'", "'\\''"); }

std::string zsh(const CLI::App& program) {
    const auto plain = [](std::string text) { // what _arguments takes for its own
        for (const char* own : {"\\", "[", "]", ":"}) text = replaced(text, own, std::string("\\") + own);
        return in_quotes(text);
    };
    std::string commands, cases;
    for (const auto* command : commands_of(program)) {
        commands += fmt::format("    '{}:{}'\n", command->get_name(), plain(command->get_description()));
        cases += fmt::format("  {})\n    _arguments \\\n", command->get_name());
        for (const auto* option : options_of(*command))
            for (const auto& name : dashed_names(*option)) {
                const auto choices = choices_of(*option);
                const auto value = !takes_value(*option) ? ""
                                   : choices.empty()     ? ":value:_files"
                                                         : ":value:(" + joined(choices, " ") + ")";
                cases += fmt::format("      '{}[{}]{}' \\\n", name, plain(option->get_description()), value);
            }
        const auto below = names_of(commands_of(*command));
        cases += below.empty() ? "      '*:file:_files' ;;\n"
                               : fmt::format("      '1:command:({})' '*:name:' ;;\n", joined(below, " "));
    }
    return fmt::format("#compdef kitfold\n"
                       "local -a commands=(\n{})\n"
                       "if (( CURRENT == 2 )); then\n"
                       "  _describe command commands\n"
                       "  _arguments {}\n"
                       "  return\n"
                       "fi\n"
                       "local command=$words[2]\n"
                       "shift words\n"
                       "(( CURRENT-- ))\n"
                       "case $command in\n{}esac\n",
                       commands, joined(all_dashed(program), " "), cases);
}

std::string fish(const CLI::App& program) {
    std::string out = "# fish completion of kitfold, made from its own options\n";
    const auto options = [&](const CLI::App& app, const std::string& when) {
        for (const auto* option : options_of(app)) {
            if (dashed_names(*option).empty()) continue;
            out += fmt::format("complete -c kitfold -n '{}'", when);
            for (const auto& name : option->get_snames()) out += " -s " + name;
            for (const auto& name : option->get_lnames()) out += " -l " + name;
            const auto choices = choices_of(*option);
            if (!choices.empty())
                out += " -x -a '" + joined(choices, " ") + "'";
            else if (takes_value(*option))
                out += " -r";
            out += " -d '" + replaced(replaced(option->get_description(), "\\", "\\\\"), "'", "\\'") + "'\n";
        }
    };
    options(program, "__fish_use_subcommand");
    for (const auto* command : commands_of(program)) {
        out += fmt::format("complete -c kitfold -n __fish_use_subcommand -a {} -d '{}'\n",
                           command->get_name(), replaced(command->get_description(), "'", "\\'"));
        const auto when = "__fish_seen_subcommand_from " + command->get_name();
        options(*command, when);
        for (const auto* below : commands_of(*command))
            out += fmt::format("complete -c kitfold -n '{}' -a {} -d '{}'\n", when, below->get_name(),
                               replaced(below->get_description(), "'", "\\'"));
    }
    return out;
}

} // namespace

std::vector<ManualFile> manual(const CLI::App& program) {
    const auto commands = commands_of(program);
    std::vector<std::string> pages;
    for (const auto* command : commands) pages.push_back(bold("kitfold-" + command->get_name()) + "(1)");
    std::vector<ManualFile> out = {{"man/man1/kitfold.1", page(program, "kitfold", joined(pages, ", "))}};
    for (const auto* command : commands)
        out.push_back({"man/man1/kitfold-" + command->get_name() + ".1",
                       page(*command, "kitfold " + command->get_name(), bold("kitfold") + "(1)")});
    out.push_back({"bash-completion/completions/kitfold", bash(program)});
    out.push_back({"zsh/site-functions/_kitfold", zsh(program)});
    out.push_back({"fish/vendor_completions.d/kitfold.fish", fish(program)});
    return out;
}

} // namespace kitfold::offline
